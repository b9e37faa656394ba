"""Ten thousand random decimals from wire to file: the number in the file is written with the analyser's own digits."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from uuid import UUID

import pytest

from capture.clock import SystemClock
from capture.config import parse
from capture.daemon.app import Service
from drivers.recording import Bytes, Header, write
from tests import kit
from tests.endtoend.house import literal, read

if TYPE_CHECKING:
    from pathlib import Path

LINES = 2_500
GASES = ("hydrogen", "methane", "carbon_dioxide", "oxygen")


def decimal(chance: random.Random) -> str:
    """One to eighteen digits with a point somewhere or nowhere; sometimes a sign, leading and trailing zeros."""
    digits = "".join(chance.choice("00123456789") for _ in range(chance.randint(1, 18)))
    place = chance.randint(1, len(digits))
    point = f".{digits[place:]}" if place < len(digits) else ""
    return chance.choice(["", "", "", "", "-", "+"]) + digits[:place] + point


def block(number: int, values: list[str]) -> bytes:
    """One checked block; an encoder of our own, so that no encoder of the house can hide a mistake."""
    h2, ch4, co2, o2 = values
    lines = [
        "MSG:RESULT",
        f"NO:{number:04}",
        "TIME:2026-11-24 10:31:05",
        "KIND:BREATH",
        f"H2:{h2} ppm",
        f"CH4:{ch4} ppm",
        f"O2:{o2} %",
        f"CO2:{co2} %",
    ]
    body = "".join(f"{line}\r\n" for line in lines).encode()
    check = 0
    for byte in body:
        check ^= byte
    return b"\x02" + body + b"*%02X\x03" % check


@pytest.mark.usefixtures("runtime")
async def test_ten_thousand_random_decimals_keep_their_digits(tmp_path: Path) -> None:
    chance = random.Random(20261124)
    said = {f"{n:04}": [decimal(chance) for _ in GASES] for n in range(LINES)}
    header = Header(
        UUID(int=7), datetime(2026, 11, 24, 9, tzinfo=UTC), "by hand", None, "label-block", "training", "a test"
    )
    frames = [block(int(number), values) for number, values in said.items()]
    texts = [Bytes(n * 100, b"".join(frames[n : n + 50])) for n in range(0, LINES, 50)]
    (tmp_path / "many.txt").write_text(write(header, texts))
    (tmp_path / "out").mkdir()
    config = (
        f'[bench]\nsite = "s"\nname = "b"\ndata = "{tmp_path}/data"\n'
        f'[[analyser]]\nid = "h2-a"\nport = "recording:{tmp_path}/many.txt"\ndriver = "label-block"\n'
        f'[[destination]]\nname = "files"\nkind = "folder"\npath = "{tmp_path}/out"\nfrom = "start"\n'
    )

    assert await Service(parse(config, tmp_path / "t.toml"), SystemClock(), kit.JOURNAL).run() == 0

    records = [read(path.read_bytes()) for path in (tmp_path / "out" / "readings").rglob("*.json")]
    assert sorted(record["sample"]["analyser_number"] for record in records) == list(said)
    for record in records:
        quantities = {**record["gases"], "oxygen": record["oxygen"]}
        values = said[record["sample"]["analyser_number"]]
        assert [quantities[gas]["value"] for gas in GASES] == [literal(value) for value in values]
        assert [quantities[gas]["text"].split()[0] for gas in GASES] == values
    assert len(records) * len(GASES) == 10_000
