"""What fuzzing is made of: dice that hypothesis or another engine throws, mutated bytes, mutated sheets, and what must hold.

Rules of the room:
- Everything hangs on the dice alone: the same throws give the same bytes and the same sheet.
- `holds` and `loads_or_says` judge; they raise LawBroken or AssertionError, and nothing else may be raised in there.
"""

from __future__ import annotations

import copy
import json
import tomllib
from functools import cache
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from drivers import laws, registry
from drivers.contract import Event, Noise, Progress, Refused, Reply, Result
from drivers.hearing import heard_bytes, play
from drivers.recording import Bytes, Mark, decode
from drivers.sheet.loader import SheetError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drivers.contract import Driver
    from drivers.recording import Entry, MarkKind

NAME = "fuzz.toml"
ITEMS = (Event, Noise, Progress, Refused, Reply, Result)
MARKS: tuple[MarkKind, ...] = ("quiet", "quiet", "quiet", "missing", "lost")
T = TypeVar("T")


class Dice(Protocol):
    """What `random.Random` has of the kind."""

    def randrange(self, stop: int, /) -> int:
        """A number from 0 to below `stop`."""
        ...


def drawn(dice: Dice, choice: Sequence[T]) -> T:
    """One of them."""
    return choice[dice.randrange(len(choice))]


@cache
def recorded(name: str) -> tuple[bytes, ...]:
    """The bytes of each recording of a built-in driver."""
    paths = sorted((registry.SHEETS / name / "recordings").glob("*.txt"))
    return tuple(heard_bytes(decode(path.read_bytes()).entries) for path in paths)


# Bytes ---------------------------------------------------------------------------------------------------------------

SCRAPS = (b"", b"\r\n", b"\x02", b"\x03", b"$", b"#", b"*", b";", b",", b"=", b"\x00", b"\xff", b"9" * 30, b"x" * 300)


def mutated_bytes(dice: Dice, name: str) -> bytes:
    """Bytes near what the driver knows: its recordings spliced, cut, flipped, doubled, with scraps between."""
    data = bytearray(drawn(dice, recorded(name)))
    for _ in range(dice.randrange(12)):
        begin = dice.randrange(len(data) + 1)
        end = min(begin + dice.randrange(40), len(data))
        deed = dice.randrange(6)
        if deed == 0:
            del data[begin:end]
        elif deed == 1:
            data[begin:begin] = data[begin:end] * (1 + dice.randrange(3))
        elif deed == 2:
            data[begin:end] = drawn(dice, SCRAPS)
        elif deed == 3 and begin < len(data):
            data[begin] ^= 1 << dice.randrange(8)
        elif deed == 4:
            other = drawn(dice, recorded(drawn(dice, list(registry.builtin()))))
            at = dice.randrange(len(other) + 1)
            data[begin:end] = other[at : at + dice.randrange(80)]
        else:
            data[begin:end] = bytes(dice.randrange(256) for _ in range(dice.randrange(6)))
    return bytes(data)


def entries_of(dice: Dice, data: bytes) -> list[Entry]:
    """These bytes in any chunks, with silences, gaps, lost ports and damaged bytes anywhere."""
    entries: list[Entry] = []
    longest = drawn(dice, (1, 3, 16, 200, 4096))
    at = 0
    while at < len(data):
        chunk = data[at : at + 1 + dice.randrange(longest)]
        hurt = (dice.randrange(len(chunk)),) if dice.randrange(20) == 0 else ()
        entries.append(Bytes(0, chunk, hurt))
        at += len(chunk)
        if dice.randrange(8) == 0:
            entries.append(Mark(0, drawn(dice, MARKS)))
    return entries


def holds(driver: Driver, entries: Sequence[Entry]) -> None:
    """Nothing but contract items, no exception, each byte in one item, what is held bounded; the layout covers it."""
    try:
        items = play(driver, entries)
        laws.covered(driver, entries)
        laws.laid_out(driver, entries)
    except laws.LawBroken:
        raise
    except Exception as error:  # whatever it is, it must not be
        raise laws.LawBroken(f"{driver.name}: {entries} raises {error!r}; any bytes must give items") from error
    for item in items:
        if not isinstance(item, ITEMS):
            raise laws.LawBroken(f"{driver.name}: {item!r} is no item of the contract")
        laws.sound(driver, item)


# Sheets --------------------------------------------------------------------------------------------------------------

VALUES: tuple[Any, ...] = (
    *(
        "",
        " ",
        ";",
        "0",
        "RES",
        "\r\n",
        "\x02",
        "$",
        "*",
        "é",
        "\\",
        '"',
        "x" * 40,
        "ppm",
        "%",
        "line",
        "gap",
        "breath",
    ),
    *(0, 1, -1, 2, 7, 9, 48, 999, 65536, 10**12, 0.05, 2.5, -0.0, True, False),
    *([], [1], [1, 2], [5, 3], {}, {"field": 1}, {"label": "NO"}, {"columns": [1, 2]}, {"by": "line"}),
    *({"X": "ok"}, {"": "above"}, {"row": "OBX", "field": 5}, {"part": "H2", "field": 1}, [{}], [[]]),
    *([{"field": 1, "is": "x"}], [{"label": "NO", "is": "0412"}], {"always": "breath"}, {"row": "OBX"}),
)
KEYS = (
    *("field", "label", "columns", "row", "part", "where", "component", "optional", "unit", "unit_from", "unit_gap"),
    *("unit_at", "state", "map", "is", "as", "always", "split", "lines", "fields", "width", "rows", "group", "sum"),
    *("padding", "decimal", "comparator", "escapes", "max", "length", "start", "end", "quiet_s", "count_at"),
    *(
        "prefix",
        "demands",
        "time_at",
        "count_digits",
        "count_adds",
        "when",
        "gives",
        "hydrogen",
        "oxygen",
        "other",
        "detail",
        "event",
        "x",
        "",
        "é",
    ),
)


def mutated_sheet(dice: Dice, name: str) -> str:
    """A built-in sheet's text with keys removed, doubled, moved, renamed, values replaced; or its text itself mangled."""
    source = registry.builtin()[name].source
    if dice.randrange(4) == 0:
        return _mangled(dice, source)
    tree = tomllib.loads(source)
    for _ in range(drawn(dice, (1, 1, 1, 2, 4))):
        _mutate(dice, tree)
    return as_toml(tree)


def _mutate(dice: Dice, tree: dict[str, Any]) -> None:
    """One change, at a place drawn."""
    holders = list(_holders(tree))
    holder = drawn(dice, holders)
    keys = list(holder) if isinstance(holder, dict) else list(range(len(holder)))
    deed = dice.randrange(6)
    if deed == 0 or not keys:  # a key that does not belong here
        if isinstance(holder, dict):
            holder[drawn(dice, KEYS)] = copy.deepcopy(drawn(dice, VALUES))
        else:
            holder.append(copy.deepcopy(drawn(dice, VALUES)))
        return
    key = drawn(dice, keys)
    if deed == 1:
        del holder[key]
    elif deed == 2:
        holder[key] = copy.deepcopy(drawn(dice, VALUES))
    elif deed == 3:  # what stands elsewhere
        other = drawn(dice, holders)
        if other:
            holder[key] = copy.deepcopy(drawn(dice, list(other.values() if isinstance(other, dict) else other)))
    elif deed == 4 and isinstance(holder, dict):
        holder[drawn(dice, KEYS)] = holder.pop(key)
    elif isinstance(holder, list):
        holder.append(copy.deepcopy(holder[key]))


def _holders(tree: Any) -> Any:
    """Every table and list of a tree, itself first."""
    if isinstance(tree, dict | list):
        yield tree
        for each in tree.values() if isinstance(tree, dict) else tree:
            yield from _holders(each)


def _mangled(dice: Dice, text: str) -> str:
    """Lines removed, doubled, exchanged, cut; signs put in."""
    rows = text.split("\n")
    for _ in range(1 + dice.randrange(4)):
        at = dice.randrange(len(rows))
        deed = dice.randrange(5)
        if deed == 0 and len(rows) > 1:
            del rows[at]
        elif deed == 1:
            rows.insert(dice.randrange(len(rows)), rows[at])
        elif deed == 2:
            cut = dice.randrange(len(rows[at]) + 1)
            rows[at] = rows[at][:cut]
        elif deed == 3:
            cut = dice.randrange(len(rows[at]) + 1)
            rows[at] = (
                rows[at][:cut]
                + drawn(dice, ('"', "'", "[", "}", "=", "\\", "\t", "\x00", "“", "0", ","))
                + rows[at][cut:]
            )
        else:
            rows[at], rows[0] = rows[0], rows[at]
    return "\n".join(rows)


def as_toml(tree: dict[str, Any]) -> str:
    """A tree as TOML text, one key on a line, everything below it inline."""
    return "\n".join(f"{json.dumps(key)} = {_inline(value)}" for key, value in tree.items()) + "\n"


def _inline(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(key)} = {_inline(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_inline(each) for each in value) + "]"
    return json.dumps(value)


def loads_or_says(text: str) -> Driver | None:
    """The driver of a sheet's text; or None, where it is refused in one line that names file, line, and more."""
    try:
        return registry.driver_from_text(text, NAME)
    except SheetError as error:
        said = str(error)
        where, _, what = said.partition(": ")
        assert where.startswith((f"{NAME}, line ", NAME)), said
        assert what, said
        assert said.isprintable(), said
        if where != NAME:
            assert 1 <= int(where.removeprefix(f"{NAME}, line ").partition(",")[0]) <= text.count("\n") + 1, said
        return None
