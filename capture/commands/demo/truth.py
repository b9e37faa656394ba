"""What the simulated analysers know, held against the records: digit for digit, and every breath in its owner's test."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from simulators.clinic import Clinic
    from simulators.truth import Truth

    Record = dict[str, Any]


def newest(records: Iterable[Record]) -> list[Record]:
    """Of each id the last revision."""
    found: dict[str, Record] = {}
    for record in records:
        if record["id"] not in found or record["revision"] > found[record["id"]]["revision"]:
            found[record["id"]] = record
    return list(found.values())


def compare(scene: Clinic, records: Iterable[Record]) -> tuple[str, list[str]]:
    """One sentence about all of it, and what is wrong, a sentence each. `records`: every revision of every reading."""
    said = [(part.analyser, truth) for part in scene.parts for truth in part.session.truth if truth.says == "result"]
    standing: dict[tuple[str, str], list[Record]] = {}
    for record in newest(records):
        if record["status"] != "entered-in-error":
            key = (record["analyser"]["id"], record["sample"]["analyser_number"])
            standing.setdefault(key, []).append(record)
    whole = [(who, truth) for who, truth in said if truth.certain]
    wrong = []
    for who, truth in whole:
        problem = _wrong(truth, standing.pop((who, truth.number or ""), []))
        wrong += [f"{who} {truth.number}: {problem}"] if problem else []
    wrong += [f"{who} {number}: was never said whole" for who, number in standing]
    blown = sum(truth.person is not None for _, truth in whole)
    words = (
        f"Compared with what the analysers said and who blew: of {len(said)} results {len(whole)} arrived whole, "
        f"{len(whole) - len(wrong)} of them are records, digit for digit"
    )
    return f"{words}; {blown} are breaths" + (", each in its owner's test." if not wrong else "."), wrong


def _wrong(truth: Truth, mine: Sequence[Record]) -> str | None:
    """How the standing readings of one result differ from what was said and who blew; None: not at all."""
    if len(mine) != 1:
        return "has no record" if not mine else f"has {len(mine)} records that stand"
    (record,) = mine
    texts = {name: quantity["text"] for name, quantity in record["gases"].items()} | {
        "oxygen": record["oxygen"]["text"]
    }
    for name, text in truth.texts.items():
        if texts.get(name, "").partition(" ")[0] != text:  # a format may write the unit behind the value
            return f"{name} was said as {text}, recorded as {texts.get(name)}"
    return _misplaced(truth, record["breath_test"])


def _misplaced(truth: Truth, place: Record | None) -> str | None:
    """Whether a reading with the right values is in a wrong test, or at a wrong sample; None: it is where it belongs."""
    mine = None if place is None else (place["subject"]["value"], place["nominal_min"])
    if truth.person is None:
        return None if mine is None else f"is no breath, and in the test of {mine[0]}"
    if mine is None:
        return f"{truth.person} blew it, and it is in nobody's test"
    return (
        None if mine == (truth.person, truth.minute) else f"{truth.person} blew it for {truth.minute}, it is at {mine}"
    )
