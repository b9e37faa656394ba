"""What a sheet that can be used does not protect, or leaves unknown: remarks, each with its line, key and what it means.

Pure; a driver whose source is no sheet has the remarks that its own words allow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from drivers.ruling import sheet_of
from drivers.sheet.numbers import read_number
from drivers.tomltext import spoken

if TYPE_CHECKING:
    from collections.abc import Iterator

    from drivers.contract import Driver
    from drivers.tomltext import Document


@dataclass(frozen=True, slots=True)
class Remark:
    """`line` and `key` of the sheet that it is about; None where the sheet does not say it at all."""

    line: int | None
    key: str | None
    words: str


def remarks(driver: Driver) -> list[Remark]:
    """Everything to know about a usable sheet before it is used."""
    document = sheet_of(driver)
    found = list(_starts(driver))
    if document is not None:
        found = [
            *_check(driver, document),
            *_sentinels(document),
            *_recognised(document),
            *found,
            *_twice(document),
            *_kinds(document),
            *_states(document),
        ]
    return sorted(found, key=lambda each: each.line or 0)


def _check(driver: Driver, document: Document) -> Iterator[Remark]:
    if "sum" in document.data:
        return
    line = document.lines.get(("serial", "parity")) or document.lines.get(("serial",))
    if driver.serial.parity == "none":
        yield Remark(
            line,
            "serial.parity",
            "no check and no parity: a flipped bit can give a wrong value that nobody sees, and every reading says so; if the "
            'analyser can send a checksum, switch it on and add sum = { ... }; else set it to parity = "even", here too',
        )
    else:
        yield Remark(
            line,
            "serial.parity",
            f"no check: {driver.serial.parity} parity shows a single flipped bit of a byte, two of them or lost bytes it does not",
        )


def _sentinels(document: Document) -> Iterator[Remark]:
    point = document.data.get("decimal", ".").encode()
    for text, state in document.data.get("sentinels", {}).items():
        value = read_number(text.encode(), point)
        if value is not None and value >= 0:
            yield Remark(
                document.line_of(("sentinels", text)),
                f"sentinels.{spoken((text,))}",
                f"is a number: a measured {text} will be read as {state}; make sure that the analyser can never mean it",
            )


def _recognised(document: Document) -> Iterator[Remark]:
    messages: list[dict[str, Any]] = document.data["message"]
    if "when" in messages[-1] or messages[-1].get("gives") == "noise" or "group" in document.data:
        return
    n = len(messages) - 1
    others = "every frame that" if n == 0 else "every frame that no other message knows and that"
    yield Remark(
        document.lines.get(("message", n)),
        f"message.{n + 1}",
        f"has no when: {others} comes apart in this way is taken for a {messages[n].get('gives')}; if its frames begin with "
        'a word, add when = { field = 1, is = "..." }',
    )


def _starts(driver: Driver) -> Iterator[Remark]:
    if driver.announces_start:
        return
    yield Remark(
        None,
        "announces_start",
        "is not said: nobody can tell the result of this breath from a late one before it, so each reading that a reservation "
        "takes stays preliminary until a person confirms it; if the analyser says when it begins, map that word to measuring, and add announces_start = true",
    )
    if driver.shortest_cycle_s is None:
        yield Remark(
            None,
            "shortest_cycle_s",
            "is not said: a result that comes too soon after a reservation to be of its breath is not noticed; measure how long "
            "one takes at least, and add for example shortest_cycle_s = 40",
        )


def _twice(document: Document) -> Iterator[Remark]:
    for n, message in enumerate(document.data["message"]):
        if message.get("gives") == "result" and not {"number", "clock"} <= message.keys():
            missing = " and ".join(key for key in ("number", "clock") if key not in message)
            yield Remark(
                document.lines.get(("message", n)),
                f"message.{n + 1}",
                f"reads no {missing}: a result that is sent twice cannot be told for sure from two equal ones; read it where the "
                "analyser sends it",
            )


def _kinds(document: Document) -> Iterator[Remark]:
    for n, message in enumerate(document.data["message"]):
        words = message.get("kind", {}).get("map")
        if words is not None and "breath" not in words.values():
            yield Remark(
                document.line_of(("message", n, "kind")),
                f"message.{n + 1}.kind.map",
                "no word means breath: a breath has the kind unknown; if the analyser has a word for it, add that, for example "
                'B = "breath"',
            )


def _states(document: Document) -> Iterator[Remark]:
    known = set(_events(document))
    missing = [each for each in ("warming-up", "ready", "fault") if each not in known]
    if missing:
        yield Remark(
            None,
            "message",
            f"no message gives {', '.join(missing)}: that state of the analyser is not known from its bytes; map it where the "
            "analyser says it, else a person notes it",
        )


def _events(document: Document) -> Iterator[str]:
    """Every event that the sheet can give."""
    for message in document.data["message"]:
        event = message.get("event", {})
        if "always" in event:
            yield event["always"]
        yield from event.get("map", {}).values()
