"""The parts of README.md, DEVELOPERS.md and SHEETS.md that are made from the program itself, so that they cannot drift from it.

python -m tests.docs          rewrites them
tests/test_docs.py            fails when they are stale
"""

from __future__ import annotations

import hashlib
import json
import re
from datetime import UTC, datetime
from pathlib import Path

from capture import protocols
from capture.assembly.settle import settle
from capture.commands import SECTIONS
from capture.daemon.feeder import Feeder
from capture.ports.base import Chunk
from capture.protocols import keys as protocol_keys
from capture.record import text
from capture.record.moment import AnalyserState, Bench, DriverUsed, Heard, Instrument, Moment, StreamHead
from drivers import registry
from drivers.recording import parse
from drivers.sheet import keys
from tests import docs_sheets
from tests.drivers.flipped import FLIPPED
from tests.kit import JOURNAL, STREAM

TOP = Path(__file__).resolve().parent.parent
README = TOP / "README.md"
DEVELOPERS = TOP / "DEVELOPERS.md"
SHEETS = TOP / "drivers" / "sheet" / "SHEETS.md"
FRAME = b"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\n"
OPENED = Heard(datetime(2026, 11, 24, 9, 31, 5, 120_000, tzinfo=UTC), None, None, synchronised=True)

SHOWN = ("format", "purpose", "id", "revision", "status", "kind", "received_at", "analyser_clock", "oxygen", "gases")


def _record() -> dict[str, object]:
    """The record of FRAME as the service would make it."""
    driver = registry.find("delimited-line")
    feeder = Feeder(driver, STREAM, OPENED)
    feeder.feed([Chunk(FRAME, OPENED)])
    used = DriverUsed(driver.name, driver.version, driver.sha256)
    head = StreamHead(STREAM, Instrument("h2-a"), "/dev/ttyUSB0", used, "training", OPENED, "9600 8N1")
    bench = Bench("north-clinic", "bench-1", JOURNAL, "Europe/Zurich")
    moment = Moment(OPENED, bench, head, AnalyserState(warm=True), "none", seq=912)
    (record,) = settle(feeder.harvest().arrivals[0], moment).records
    whole: dict[str, object] = json.loads(text.write(record), parse_float=str)
    return whole


def views() -> str:
    """One frame as bytes, as `explain` lines it up, as a line for people, and as a record."""
    record = _record()
    rows = [FRAME[n : n + 16] for n in range(0, len(FRAME), 16)]
    parts = registry.find("delimited-line").layout(FRAME, 0)
    meant = [part for part in parts if part.name != "marks"]
    width = max(len(part.name) for part in meant)
    oxygen, gases = record["oxygen"], record["gases"]
    assert isinstance(oxygen, dict)
    assert isinstance(gases, dict)
    lines = ["On the wire:", "", "```text"]
    lines += [f"{row.hex(' '):<48} {''.join(chr(b) if 32 <= b < 127 else '.' for b in row)}" for row in rows]
    lines += [
        "```",
        "",
        "As `tidewire explain` lines it up, shortened (offset, field, what it says, line of the driver sheet):",
        "",
        "```text",
    ]
    lines += [f"{part.span.start:>3}  {part.name:<{width}}  {part.said:<22}  {part.line}" for part in meant]
    values = [("H2", gases["hydrogen"], "ppm"), ("CH4", gases["methane"], "ppm"), ("oxygen", oxygen, "%")]
    shown = ", ".join(f"{name} {_with_unit(quantity, unit)}" for name, quantity, unit in values)
    lines += [
        "```",
        "",
        "For people:",
        "",
        "```text",
        f"h2-a  10:31  {record['kind']}: {shown}; {record['status']}",
        "```",
    ]
    lines += ["", "As a record:", "", "```json", _short(record), "```"]
    return "\n".join(lines)


def _with_unit(quantity: dict[str, object], unit: str) -> str:
    return f"{quantity['comparator'] or ''}{quantity['value']} {unit}"


def _short(record: dict[str, object]) -> str:
    """Some names of the record, on a line each, digits untouched."""

    def quantity(given: object) -> dict[str, object]:
        assert isinstance(given, dict)
        return {name: given[name] for name in ("value", "unit", "ucum", "comparator", "state", "text")}

    kept = {name: record[name] for name in SHOWN}
    kept["oxygen"] = quantity(record["oxygen"])
    gases = record["gases"]
    assert isinstance(gases, dict)
    kept["gases"] = {name: quantity(each) for name, each in gases.items()}
    source = record["source"]
    assert isinstance(source, dict)
    assert source["sha256"] == hashlib.sha256(FRAME).hexdigest()
    kept["source"] = {"stream": source["stream"], "spans": source["spans"], "sha256": source["sha256"][:16] + "…"}
    lines = [f'  "{name}": {_digits(json.dumps(value, ensure_ascii=False))}' for name, value in kept.items()]
    return "{\n" + ",\n".join(lines) + ",\n  …\n}"


def _digits(written: str) -> str:
    """Numbers were read as text to keep their digits: take their quotation marks off again (`value` only)."""
    return re.sub(r'("(?:value|offset_s)": )"(-?[0-9.]+)"', r"\1\2", written)


def drivers() -> str:
    """The table of built-in drivers."""
    rows = [
        "| name | line | check | flipped bits that give a wrong value unseen | announces a measurement | recordings |",
        "|---|---|---|---|---|---|",
    ]
    for name, driver in registry.builtin().items():
        folder = TOP / "drivers" / "sheets" / name / "recordings"
        count = len([parse(path.read_text(encoding="utf-8")) for path in folder.glob("*.txt")])
        unchecked = (
            "none: readings are flagged `no-check`" if driver.serial.parity == "none" else "none but the line's parity"
        )
        check = "checksum" if "sum = {" in driver.source else unchecked
        starts = "yes" if driver.announces_start else "no"
        flipped = FLIPPED[name]
        unseen = f"{flipped.unseen} of {flipped.tried:,}"
        rows.append(f"| `{name}` | {driver.serial} | {check} | {unseen} | {starts} | {count}, all synthetic |")
    return "\n".join(rows)


def templates() -> str:
    """The table of protocol templates."""
    rows = ["| name | for | dose | baselines | minutes |", "|---|---|---|---|---|"]
    for name, protocol in ((each.name, each.protocol) for each in protocols.every()):
        assert protocol is not None
        drunk = protocol.substrate
        dose = "none" if drunk is None else f"{drunk.name} {drunk.amount} {drunk.unit}"
        minutes = ", ".join(str(each) for each in protocol.points.minutes) or "none"
        rows.append(f"| `{name}` | {protocol.person} | {dose} | {protocol.baseline.samples} | {minutes} |")
    return "\n".join(rows)


def commands() -> str:
    """The table of commands, by section."""
    rows = ["| | command | |", "|---|---|---|"]
    for section, names in SECTIONS.items():
        rows += [f"| {section} | `{name}` | {words} |" for name, words in names.items()]
    return "\n".join(rows)


MADE = {
    README: {"views": views, "templates": templates, "drivers": drivers, "commands": commands},
    DEVELOPERS: {"protocol-keys": protocol_keys.table},
    SHEETS: {
        "sheet-example": docs_sheets.example,
        "sheet-families": docs_sheets.families,
        "sheet-checks": docs_sheets.checks,
        "sheet-keys": keys.table,
    },
}


def remade(page: str, path: Path = README) -> str:
    """The page with every made part as it should be today."""
    for name, make in MADE[path].items():
        start, end = f"<!-- made: {name} -->\n", "<!-- end -->"
        before, found, rest = page.partition(start)
        assert found, f"{path.name} has no part {name!r}"
        _, found, after = rest.partition(end)
        assert found, f"{path.name}: the part {name!r} has no end"
        page = before + start + make() + "\n" + end + after
    return page


if __name__ == "__main__":
    for each in MADE:
        each.write_text(remade(each.read_text(encoding="utf-8"), each), encoding="utf-8")
