"""Which rule of the sheet refused a frame: the line and the key that say it, and the byte at which it broke.

Pure. Only what a driver shows of itself is used: its source and the layout of the frame. A driver whose source is no
sheet has no such line.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from drivers.tomltext import TomlError, read_toml, spoken

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from drivers.contract import Driver, Part, Refused
    from drivers.tomltext import Document, Path

_PARTS = {"bad-checksum": "check", "unknown-message": "event"}
"""The part of the layout at which a frame fails for this reason."""
_ENDED = "a result ended"
"""What is refused of a group whose parts are too few: no byte broke a rule, and its frames were whole."""


@dataclass(frozen=True, slots=True)
class Ruling:
    """`line` and `key` of the sheet, `at` the stream offset of the byte in question; None where there is none."""

    line: int | None
    key: str | None
    at: int | None


def ruling(driver: Driver, item: Refused, parts: Sequence[Part], damaged: Sequence[int] = ()) -> Ruling:
    """Where the sheet says what the frame broke. `damaged`: stream offsets of its bytes that came with a line error."""
    if item.why == "line-error":
        return Ruling(None, None, damaged[0] if damaged else None)
    name = _PARTS.get(item.why)
    at = next((part.span.start for part in parts if part.name == name), None)
    if item.why in ("too-long", "unfinished") and _ENDED not in item.rule:
        at = item.spans[-1].end
    document = sheet_of(driver)
    if document is not None:
        for path in _paths(document, item, parts):
            if path in document.lines:
                return Ruling(document.lines[path], spoken(path), at)
    return Ruling(None, None, at)


def sheet_of(driver: Driver) -> Document | None:
    """What a driver's sheet says and where; None where its source is no sheet."""
    try:
        document = read_toml(driver.source, driver.name)
    except TomlError:
        return None
    return document if "sheet" in document.data else None


def _paths(document: Document, item: Refused, parts: Sequence[Part]) -> Iterator[Path]:
    """Keys that may say the rule, the likeliest first."""
    if item.why == "bad-checksum":
        yield ("sum",)
    elif _ENDED in item.rule:
        yield ("group",)
    elif item.why in ("too-long", "too-short", "unfinished"):
        keys = {"too-long": ("max", "length"), "too-short": ("length", "count_at"), "unfinished": ("end", "length")}
        if "start mark" in item.rule:
            yield ("frame", "start")
        yield from (("frame", key) for key in keys[item.why])
        yield ("frame",)
    elif item.why in ("bad-field", "unknown-message", "out-of-range"):
        yield from _of_messages(document, item, parts)


def _of_messages(document: Document, item: Refused, parts: Sequence[Part]) -> Iterator[Path]:
    """Keys of the message that the frame was taken for; of the group, the count or the way of cutting, where none was."""
    rule = item.rule
    keys = (
        [("group", "digits")] if "digits for the number" in rule else [("group",)] if "part of a result" in rule else []
    )
    yield from keys
    if "count" in rule:
        yield ("frame", "count_at")
    messages: list[dict[str, Any]] = document.data["message"]
    n = _message(document, parts)
    if n is None:
        yield from (
            ("message", m, "width") for m, each in enumerate(messages) if f"says {each.get('width')} col" in rule
        )
        yield from ((key,) for key, word in (("label", "label"), ("rows", "row")) if word in rule)
        yield from (
            ("message", 0, key) for key in ("when", "label", "lines") if item.why == "unknown-message" or key != "when"
        )
        yield ("message", 0)
        return
    here: Path = ("message", n)
    yield from ((*here, *path) for path, words in _places(messages[n]) if words in rule)
    yield from ((*here, key) for key, word in (("fields", "fields"), ("width", "columns")) if word in rule)
    yield here


def _message(document: Document, parts: Sequence[Part]) -> int | None:
    """The message that the frame was taken for: its `when`, or else its keys alone, stand on lines that the layout names."""
    lines = {part.line for part in parts if part.name == "message"}
    messages = document.data.get("message", [])
    found = [n for n in range(len(messages)) if document.lines.get(("message", n, "when")) in lines]
    if not found:
        named = {part.line for part in parts}
        keys = [path for path, line in document.lines.items() if path[0] == "message" and line in named]
        found = list({path[1]: None for path in keys if isinstance(path[1], int)}) if len(messages) > 1 else [0]
    return found[0] if len(found) == 1 else None


def _places(table: dict[str, Any]) -> Iterator[tuple[Path, str]]:
    """Every place that a message names, in the words of the rules."""
    for name, said in table.items():
        inner: list[tuple[Path, Any]] = []
        if name == "demands":
            inner = [((name, n), each) for n, each in enumerate(said)]
        elif isinstance(said, dict) and name != "when":
            inner = [((name,), said), *(((name, key), each) for key, each in said.items() if isinstance(each, dict))]
        for path, place in inner:
            if "columns" in place:
                first, last = place["columns"]
                yield path, f"in columns {first} to {last} "
            elif "label" in place:
                yield path, f"label {place['label']} "
            elif "field" in place:
                yield path, f"field {place['field']} "
