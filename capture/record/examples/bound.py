"""Readings of one day's breath tests: bound, taken again, brought to the right patient, typed in.

The day of `course`: K7 is a lactulose test, M3 another one, R5 a third. The lines come on a stream of their own.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any, Final
from uuid import UUID

from capture.record import ids, parts, typed
from capture.record.examples.lines import JOURNAL, at, clock, flag, reading_of, source
from capture.record.reading import BreathReading

WARD: Final = UUID("9d3b5c27-60e8-4f14-8c2a-7be1f04d6a95")
"""The stream of that day."""
TESTS: Final = {
    "K7": UUID("4e8b2c90-17d6-4f3a-a5b1-c06d9e72f834"),
    "M3": UUID("b71f0d4e-93c5-4a28-9e6b-2f8d5a01c7e3"),
    "F2": UUID("15c9e6a2-7d40-4b83-b2f7-e80a3d94c61b"),
    "R5": UUID("c2a84f17-0b6e-4d95-8317-94f6d2be50a8"),
    "R5 moved": UUID("68e03bd5-f1a9-4c72-a04d-3b7c9e815f26"),
}
SUBJECTS: Final = {"K7": "P-20461", "M3": "P-20533", "F2": "P-20547", "R5": "P-20588", "R5 moved": "P-20558"}
ORDERS: Final = {"K7": "A-88213"}
PROTOCOL: Final = "lactulose-3h 1.0"
ZERO_S: Final = {"K7": 178 * 60 + 48, "M3": 215 * 60}
"""When drinking began, in seconds after minute 0 of these examples."""
TYPED: Final = UUID("3f6d81b4-2c5a-4e07-9b1d-a64e0f73d982")
"""Drawn at random: what is typed in comes from no bytes."""

CHECK: Final = {"at": at(25), "result": "passed", "event": ids.act_event("production", JOURNAL, 61), "by": "ab"}
"""The check with gas of that morning, as a person noted it."""

LINES: Final = {
    82: (70, "4;2;16.3"),
    103: (170, "8;3;16.1"),
    110: (209, "3;2;19.8"),
    112: (212, "11;3;15.9"),
    131: (255, "61;4;15.9"),
    135: (269, "34;5;16.0"),
    150: (280, "19;4;16.2"),
    155: (299, "58;6;15.8"),
    163: (359, "73;9;16.0"),
    180: (400, "66;8;15.7"),
}
"""By the journal's number of the first record: the minute it came, hydrogen;methane;oxygen."""
HIGH: Final = flag(
    "oxygen-high",
    f"Oxygen is 19.8 %, more than the 18.0 % of the protocol {PROTOCOL}.",
    value=Decimal("19.8"),
    limit=Decimal("18.0"),
    limit_from=PROTOCOL,
)


def since(test: str, collected: int) -> Decimal:
    """Minutes from the beginning of drinking to minute `collected`, to one decimal."""
    return (Decimal(collected * 60 - ZERO_S[test]) / 60).quantize(Decimal("0.1"))


def measurement(seq: int) -> UUID:
    """The measurement whose first record has that number."""
    return ids.measurement("production", WARD, seq * 64, 0)


def place(test: str, nominal: int | None, how: str, bound: int, *, collected: int, attempt: int = 1) -> dict[str, Any]:
    """Where a reading belongs. `bound`: the minute at which the act was done."""
    label = test.partition(" ")[0]
    return {
        "id": TESTS[test],
        "label": label,
        "subject": {"system": "north-clinic", "value": SUBJECTS[test]},
        "order": {"system": "north-clinic", "value": ORDERS[test]} if test in ORDERS else None,
        "protocol": PROTOCOL,
        "substrate": "lactulose",
        "point": f"{label}-{'B1' if nominal is None else nominal}",
        "role": "baseline" if nominal is None else "timed",
        "nominal_min": nominal,
        "since_substrate_min": None if nominal is None else since(test, collected),
        "attempt": attempt,
        "bound": {"how": how, "by": "mk", "at": at(bound)},
    }


def change(code: str, replaced: UUID, revision: int, minutes: int, reason: str | None = None) -> dict[str, Any]:
    """Why there is this record."""
    replaces = {"id": replaced, "revision": revision}
    return {"replaces": replaces, "code": code, "reason": reason, "by": "mk", "at": at(minutes)}


def line_of(seq: int) -> str:
    """The line as the analyser sent it: its clock shows the minute in Zurich."""
    minutes, values = LINES[seq]
    hour, minute = divmod(minutes + 482, 60)
    return f"RES;{seq + 320:04};24/11/2026 {hour:02}:{minute:02};B;{values}"


def read(
    seq: int, *flags: parts.Flag, later: int | None = None, bag: str | None = None, **more: object
) -> BreathReading:
    """The record of a line, or a later one of the same bytes that has the number `later`.

    As if it had been reserved: the sample came through a mouthpiece, or out of a `bag` with that label.
    """
    minutes, line = LINES[seq][0], line_of(seq)
    sample = {
        "interface": "unknown" if bag else "mouthpiece",
        "container": "bag" if bag else "none",
        "label": bag,
        "hold_s": None,
        "analyser_number": line.split(";")[1],
        "analyser_subject": None,
        "from": "operator",
    }
    of = source(later or seq, seq * 64, line.encode() + b"\r\n", WARD)
    known = {"on_since": None, "warm": True, "calibration": None, "gas_check": CHECK}
    given = {"sample": sample, "sample_quality": "satisfactory", "analyser_state": known, "source": of} | more
    return reading_of(line, *flags, seq=seq, minutes=minutes, purpose="production", stream=WARD, **given)


def _when(minutes: int, who: str) -> dict[str, Any]:
    return {"at": at(minutes), "from": who}


def _retracted(wrong: BreathReading, minutes: int, reason: str) -> dict[str, Any]:
    """The last revision of what stood under the wrong patient: it keeps everything but its status."""
    return wrong.model_dump(include={"breath_test", "collected_at"}) | {
        "revision": wrong.revision + 1,
        "status": "entered-in-error",
        "change": change("wrong-patient", wrong.id, wrong.revision, minutes, reason),
    }


def _entered() -> BreathReading:
    """A value that a person read off the display and typed twice: it came on no wire."""
    bare = read(155).model_dump()
    return BreathReading.model_validate(
        bare
        | {
            "id": TYPED,
            "measurement": TYPED,
            "status": "final",
            "origin": "operator",
            "kind_from": "operator",
            "received_at": at(281),
            "measured_at": _when(279, "operator"),
            "collected_at": _when(276, "operator"),
            "analyser_clock": None,
            "clock": clock(281),
            "driver": None,
            "sample": bare["sample"] | {"analyser_number": None, "container": "unknown"},
            "oxygen": typed.value("16.1", "%", "oxygen"),
            "gases": {"hydrogen": typed.value("44", "ppm", "hydrogen"), "methane": typed.value("3", "ppm", "methane")},
            "flags": (),
            "breath_test": place("M3", 60, "entered", 281, collected=276),
            "source": source(152, 0, None, None),
        }
    )


def cases() -> dict[str, BreathReading]:
    """These golden records, by the name of the case."""
    unsaid = {
        "interface": "unknown",
        "container": "unknown",
        "analyser_number": line_of(135).split(";")[1],
        "from": None,
    }
    sample = unsaid | {"label": None, "hold_s": None, "analyser_subject": None}
    unbound = read(135, sample=sample, sample_quality="not-judged")
    assigned = place("K7", 90, "assigned", 271, collected=269)
    wrong = read(
        131,
        bag="K7-60",
        breath_test=place("K7", 60, "reserved", 254, collected=240),
        collected_at=_when(240, "container"),
    )
    reason = "the bag of M3-30 was measured for K7-60"
    right = ids.reading(wrong.id, 2)
    moved = read(82, breath_test=place("R5", None, "reserved", 69, collected=70), collected_at=_when(70, "measured"))
    slip = "opened for the wrong one of two people of nearly the same number"
    repeat = place("K7", 30, "reserved", 211, collected=212, attempt=2)
    again: dict[str, Any] = {"breath_test": repeat, "collected_at": _when(212, "measured")}
    return {
        "reading-bound-preliminary": read(112, **again),
        "reading-confirmed": read(
            112,
            later=165,
            **again,
            revision=2,
            status="final",
            change=change("confirmed", measurement(112), 1, 365),
        ),
        "reading-unsatisfactory": read(
            110,
            HIGH,
            breath_test=place("K7", 30, "reserved", 208, collected=209),
            collected_at=_when(209, "measured"),
            sample_quality="unsatisfactory",
        ),
        "reading-unbound": unbound,
        "reading-bound-final": read(
            135,
            later=136,
            revision=2,
            status="final",
            change=change("bound", unbound.id, 1, 271),
            breath_test=assigned,
            collected_at=_when(269, "measured"),
            sample=sample,
        ),
        "reading-wrong-patient": wrong,
        "reading-retracted": read(131, bag="K7-60", later=141, **_retracted(wrong, 275, reason)),
        "reading-rebound": read(
            131,
            bag="M3-30",
            later=142,
            id=right,
            change=change("wrong-patient", wrong.id, 1, 275, reason),
            status="final",
            breath_test=place("M3", 30, "assigned", 275, collected=246),
            collected_at=_when(246, "container"),
        ),
        "reading-entered": _entered(),
        "reading-moved-away": read(82, later=84, **_retracted(moved, 95, slip)),
        "reading-moved-here": read(
            82,
            later=86,
            id=ids.reading(moved.id, 2),
            change=change("wrong-patient", moved.id, 1, 95, slip),
            breath_test=place("R5 moved", None, "assigned", 95, collected=70),
            collected_at=_when(70, "measured"),
        ),
    }
