"""Golden records: one for each case that a consumer has to be ready for. Site, people, values and frames are invented.

The readings are what this program makes of lines like `RES;0412;24/11/2026 10:31;B;37;<2;16.4` (sheet
`delimited-line`): kind, hydrogen and methane in ppm, oxygen in percent. Every offset and digest is that of the line.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from functools import cache
from hashlib import sha256
from typing import TYPE_CHECKING, Any, Final
from uuid import UUID

from capture.record import ids, parts, quantity, reading, times
from capture.record.event import AnalyserEvent
from capture.record.words import FLAGS
from drivers import contract

if TYPE_CHECKING:
    from capture.record.moment import Purpose
    from capture.record.text import Record

JOURNAL: Final = UUID("0b6a4f0e-52c7-4a53-9d8e-6f1f0a3c7d21")
STREAM: Final = UUID("7c1e9a54-3f0d-4b8a-8a57-2d9b6c40e1f3")
BOOT: Final = UUID("d2f7a1c8-9b35-4e6c-b0a4-51c3e87f9026")
BREATH_TEST: Final = UUID("4e8b2c90-17d6-4f3a-a5b1-c06d9e72f834")
OPENED: Final = datetime(2026, 11, 24, 7, 2, 11, 480_000, UTC)
ZONE: Final = "Europe/Zurich"

_ANALYSER: Final = parts.Analyser(id="h2-a", make=None, model=None, serial_number="0007", firmware=None)
_DRIVER: Final = parts.DriverUsed(
    name="delimited-line", version="1.0", sha256=sha256(b"the text of the sheet").hexdigest()
)
_PRODUCER: Final = parts.Producer(name="tidewire", version="0.1.0")
_SENTINELS: Final[dict[str, contract.State]] = {"----": "not-measurable", "OVR": "above"}
_KINDS: Final[dict[str, contract.Kind]] = {"B": "breath", "A": "room-air", "C": "calibration-gas"}


def _field(text: str, unit: str, start: int) -> quantity.Quantity:
    """One field of the line as the driver sheet reads it."""
    value: Decimal | None = None
    comparator: contract.Comparator | None = None
    state = _SENTINELS.get(text, "ok")
    if text.startswith("<"):
        state, comparator, value = "below", "<", Decimal(text[1:])
    elif state == "ok" and text.replace(".", "", 1).isdigit():
        value = Decimal(text)
    elif state == "ok":
        state = "invalid"
    span = contract.Span(start, start + len(text))
    return quantity.of(contract.Quantity(value, unit, "sheet", state, text, (span,), comparator))


def _flag(code: str, text: str, **more: object) -> parts.Flag:
    word = FLAGS[code]
    bare = {"about": word.about, "severity": word.severity, "value": None, "limit": None, "limit_from": None}
    return parts.Flag.model_validate({"code": code, "text": text, **bare, **more})


_NO_CHECK: Final = _flag("no-check", "Frame and line carry no check: damage may have gone unnoticed.")


def _at(minutes: int) -> datetime:
    return times.in_utc(OPENED + timedelta(minutes=minutes, milliseconds=640))


def _clock(minutes: int, *, synchronised: bool = True) -> parts.MachineClock:
    return parts.MachineClock(synchronised=synchronised, boot=BOOT, since_boot_ms=612_340 + minutes * 60_000)


def _analyser_clock(text: str, received: datetime) -> parts.AnalyserClock | None:
    if not text:
        return None
    placed = times.place(datetime.strptime(text, "%d/%m/%Y %H:%M"), ZONE).at  # noqa: DTZ007 - local on purpose
    offset = times.seconds_between(received, placed) if placed else None
    return parts.AnalyserClock(text=text, at=placed, zone_from="configuration" if placed else None, offset_s=offset)


def _source(seq: int, first: int, raw: bytes | None) -> parts.Source:
    return parts.Source(
        journal=JOURNAL,
        seq=seq,
        stream=STREAM,
        spans=((first, first + len(raw)),) if raw is not None else (),
        sha256=sha256(raw).hexdigest() if raw is not None else None,
        raw=None,
    )


def _reading(  # what differs from case to case
    line: str, *flags: parts.Flag, seq: int, minutes: int, purpose: Purpose = "training", **more: object
) -> reading.BreathReading:
    """The preliminary reading of one line whose first byte is `seq * 64` of the stream."""
    first, raw, received = seq * 64, line.encode() + b"\r\n", _at(minutes)
    fields = line.split(";")
    starts = [first + sum(len(field) + 1 for field in fields[:nth]) for nth in range(len(fields))]
    kind = _KINDS[fields[3]]
    measurement = ids.measurement(purpose, STREAM, first, 0)
    made: dict[str, Any] = {
        "format": reading.FORMAT,
        "purpose": purpose,
        "id": measurement,
        "revision": 1,
        "measurement": measurement,
        "status": "preliminary",
        "change": None,
        "origin": "analyser",
        "kind": kind,
        "kind_from": "analyser",
        "received_at": received,
        "measured_at": parts.At(at=received, from_="received"),
        "collected_at": None,
        "analyser_clock": _analyser_clock(fields[2], received),
        "clock": _clock(minutes),
        "site": "north-clinic",
        "bench": "bench-1",
        "analyser": _ANALYSER,
        "driver": _DRIVER,
        "producer": _PRODUCER,
        "sample": {
            "interface": "unknown",
            "container": "unknown",
            "label": None,
            "hold_s": None,
            "analyser_number": fields[1] or None,
            "analyser_subject": None,
            "from": None,
        },
        "oxygen": _field(fields[6], "%", starts[6]) if len(fields) > 6 else quantity.not_measured(quantity.NO_OXYGEN),
        "gases": {"hydrogen": _field(fields[4], "ppm", starts[4]), "methane": _field(fields[5], "ppm", starts[5])},
        "other": {},
        "dead_space": None,
        "flags": (_NO_CHECK, *flags),
        "sample_quality": "not-judged",
        "analyser_state": {"on_since": None, "warm": True, "calibration": None},
        "breath_test": None,
        "integrity": "none",
        "source": _source(seq, first, raw),
    }
    return reading.BreathReading.model_validate(made | more)


def _event(  # what differs from case to case
    name: str, words: str, *, seq: int, minutes: int, raw: bytes | None = None, **detail: str
) -> AnalyserEvent:
    """One event: of the analyser where there are bytes, of the port where there are none."""
    first, at = seq * 64, _at(minutes)
    return AnalyserEvent(
        format="analyser-event/1",
        purpose="training",
        id=ids.event("training", STREAM, first, seq) if raw else ids.port_event("training", STREAM, name),
        revision=1,
        status="final",
        change=None,
        origin="analyser" if raw else "bench",
        name=name,
        about="analyser" if raw else "port",
        words=words,
        detail=dict(detail) if raw else {"port": "/dev/serial/by-path/example-port", "line": "9600 8N1", **detail},
        received_at=at,
        happened_at=parts.At(at=at, from_="received" if raw else "port"),
        clock=_clock(minutes),
        site="north-clinic",
        bench="bench-1",
        analyser=_ANALYSER,
        driver=_DRIVER if raw else None,
        producer=_PRODUCER,
        integrity=None,
        source=_source(seq, first, raw),
    )


def _bound() -> tuple[reading.BreathReading, reading.BreathReading]:
    """A reading that a person confirmed for a patient, and its retraction because it was the wrong one."""
    line = "RES;0431;24/11/2026 12:03;B;61;4;15.9"
    first = _reading(line, seq=31, minutes=240, purpose="production")
    since = Decimal("61.2")
    place = {
        "id": BREATH_TEST,
        "label": "K7",
        "subject": {"system": "north-clinic", "value": "P-20461"},
        "order": None,
        "protocol": "lactulose-3h 1.0",
        "substrate": "lactulose",
        "role": "timed",
        "nominal_min": Decimal(60),
        "since_substrate_min": since,
        "attempt": 1,
        "bound": {"how": "reserved", "by": "mk", "at": _at(239)},
    }
    replaces = {"id": first.id, "revision": 1}
    bound: dict[str, Any] = {
        "revision": 2,
        "status": "final",
        "change": {"replaces": replaces, "code": "bound", "reason": None, "by": "mk", "at": _at(262)},
        "breath_test": place,
        "collected_at": {"at": _at(240), "from": "operator"},
        "source": _source(36, 31 * 64, line.encode() + b"\r\n"),
    }
    wrong = {"replaces": replaces | {"revision": 2}, "code": "wrong-patient", "reason": "bag labels were swapped"}
    retracted = bound | {
        "revision": 3,
        "status": "entered-in-error",
        "change": wrong | {"by": "mk", "at": _at(275)},
        "source": _source(37, 31 * 64, line.encode() + b"\r\n"),
    }
    return (
        _reading(line, seq=31, minutes=240, purpose="production", **bound),
        _reading(line, seq=31, minutes=240, purpose="production", **retracted),
    )


@cache
def examples() -> dict[str, Record]:
    """Every golden record, by the name of its case."""
    below = _flag("below-range", "Methane is below the range of the analyser (2 ppm).", limit=2, limit_from="analyser")
    above = _flag("above-range", "Hydrogen is above the range of the analyser (its end is not known).")
    lost = _flag("not-measurable", "The analyser could not measure methane (it sent '----').")
    none = _flag("oxygen-missing", f"No oxygen level: {quantity.NO_OXYGEN}.")
    garbled = _flag("unreadable", "No value for hydrogen: the field could not be read as a number.")
    unset = _flag("clock-unsure", "This machine's clock was not kept right by a time source.")
    twice = _flag("clock-unsure", "The analyser's clock shows an hour that happens twice when the clocks go back.")
    bound, retracted = _bound()
    return {
        "reading-breath": _reading("RES;0412;24/11/2026 10:31;B;37;4;16.40", seq=12, minutes=149),
        "reading-below-range": _reading("RES;0413;24/11/2026 10:46;B;37;<2;16.4", below, seq=13, minutes=164),
        "reading-above-range": _reading("RES;0414;24/11/2026 11:01;B;OVR;4;16.1", above, seq=14, minutes=179),
        "reading-not-measurable": _reading("RES;0415;24/11/2026 11:16;B;37;----;16.0", lost, seq=15, minutes=194),
        "reading-unreadable": _reading("RES;0416;24/11/2026 11:31;B;3x;4;16.0", garbled, seq=16, minutes=209),
        "reading-room-air": _reading("RES;0411;24/11/2026 10:02;A;0;2;20.9", seq=11, minutes=120),
        "reading-calibration-gas": _reading("RES;0410;24/11/2026 09:58;C;100;50;0.0", seq=10, minutes=116),
        "reading-no-oxygen": _reading("RES;0417;24/11/2026 11:46;B;37;4", none, seq=17, minutes=224),
        "reading-no-number": _reading("RES;;;B;12.50;0.00000010;16.0", seq=18, minutes=225),
        "reading-clock-not-synchronised": _reading(
            "RES;0418;24/11/2026 11:48;B;37;4;16.0", unset, seq=19, minutes=226, clock=_clock(226, synchronised=False)
        ),
        "reading-analyser-clock-ambiguous": _reading(
            "RES;0419;25/10/2026 02:30;B;37;4;16.0", twice, seq=20, minutes=227
        ),
        "reading-production": _reading(
            "RES;0420;24/11/2026 11:50;B;37;4;16.0", seq=21, minutes=228, purpose="production"
        ),
        "reading-bound-final": bound,
        "reading-retracted": retracted,
        "event-appeared": _event("appeared", "The port is open: receiving.", seq=1, minutes=0),
        "event-gone": _event("gone", "The port went away: the cable or the power was cut.", seq=35, minutes=260),
        "event-silent": _event("silent", "Nothing has come from the analyser for 30 minutes.", seq=34, minutes=258),
        "event-warming-up": _event("warming-up", "The analyser is warming up.", seq=2, minutes=1, raw=b"STA;WARM\r\n"),
        "event-ready": _event("ready", "The analyser is warm and ready.", seq=3, minutes=21, raw=b"STA;READY\r\n"),
        "event-fault": _event(
            "fault", "The analyser reports a fault: code E4.", seq=33, minutes=250, raw=b"ERR;E4\r\n", code="E4"
        ),
        "event-calibration-failed": _event(
            "calibration-failed",
            "The analyser says that its calibration failed: gas hydrogen.",
            seq=9,
            minutes=110,
            raw=b"CAL;H2;FAIL\r\n",
            gas="hydrogen",
        ),
    }
