"""One line, one record: readings and events as the analyser's bytes make them, bound to nobody.

The readings are what this program makes of lines like `RES;0412;24/11/2026 10:31;B;37;<2;16.4` (sheet
`delimited-line`): kind, hydrogen and methane in ppm, oxygen in percent. Every offset and digest is that of the line.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
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
OPENED: Final = datetime(2026, 11, 24, 7, 2, 11, 480_000, UTC)
ZONE: Final = "Europe/Zurich"

ANALYSER: Final = parts.Analyser(id="h2-a", make=None, model=None, serial_number="0007", firmware=None)
DRIVER: Final = parts.DriverUsed(
    name="delimited-line", version="1.0", sha256=sha256(b"the text of the sheet").hexdigest()
)
PRODUCER: Final = parts.Producer(name="tidewire", version="0.1.0")
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


def flag(code: str, text: str, **more: object) -> parts.Flag:
    """A flag of that name, with what `words` says of it."""
    word = FLAGS[code]
    bare = {"about": word.about, "severity": word.severity, "value": None, "limit": None, "limit_from": None}
    return parts.Flag.model_validate({"code": code, "text": text, **bare, **more})


NO_CHECK: Final = flag("no-check", "Frame and line carry no check: damage may have gone unnoticed.")


def at(minutes: int, seconds: int = 0) -> datetime:
    """So long after the port was opened, as it goes in these examples."""
    return times.in_utc(OPENED + timedelta(minutes=minutes, seconds=seconds, milliseconds=640))


def clock(minutes: int, seconds: int = 0, *, synchronised: bool = True) -> parts.MachineClock:
    """The machine's clock at that moment."""
    since_boot_ms = 612_340 + minutes * 60_000 + seconds * 1000
    return parts.MachineClock(synchronised=synchronised, boot=BOOT, since_boot_ms=since_boot_ms)


def _analyser_clock(text: str, received: datetime) -> parts.AnalyserClock | None:
    if not text:
        return None
    placed = times.place(datetime.strptime(text, "%d/%m/%Y %H:%M"), ZONE).at  # noqa: DTZ007 - local on purpose
    offset = times.seconds_between(received, placed) if placed else None
    return parts.AnalyserClock(text=text, at=placed, zone_from="configuration" if placed else None, offset_s=offset)


def source(seq: int, first: int, raw: bytes | None, stream: UUID | None = STREAM) -> parts.Source:
    """Record `seq`, made of those bytes, the first of which is byte `first` of the stream."""
    return parts.Source(
        journal=JOURNAL,
        seq=seq,
        stream=stream,
        spans=((first, first + len(raw)),) if raw is not None else (),
        sha256=sha256(raw).hexdigest() if raw is not None else None,
        raw=None,
    )


def reading_of(  # what differs from case to case
    line: str,
    *flags: parts.Flag,
    seq: int,
    minutes: int,
    purpose: Purpose = "training",
    stream: UUID = STREAM,
    **more: object,
) -> reading.BreathReading:
    """The preliminary reading of one line whose first byte is `seq * 64` of the stream."""
    first, raw, received = seq * 64, line.encode() + b"\r\n", at(minutes)
    fields = line.split(";")
    starts = [first + sum(len(field) + 1 for field in fields[:nth]) for nth in range(len(fields))]
    kind = _KINDS[fields[3]]
    measurement = ids.measurement(purpose, stream, first, 0)
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
        "clock": clock(minutes),
        "site": "north-clinic",
        "bench": "bench-1",
        "analyser": ANALYSER,
        "driver": DRIVER,
        "producer": PRODUCER,
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
        "flags": (NO_CHECK, *flags),
        "sample_quality": "not-judged",
        "analyser_state": {"on_since": None, "warm": True, "calibration": None, "gas_check": None},
        "breath_test": None,
        "integrity": "none",
        "source": source(seq, first, raw, stream),
    }
    return reading.BreathReading.model_validate(made | more)


def _event(  # what differs from case to case
    name: str, words: str, *, seq: int, minutes: int, raw: bytes | None = None, **detail: str
) -> AnalyserEvent:
    """One event: of the analyser where there are bytes, of the port where there are none."""
    first, when = seq * 64, at(minutes)
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
        received_at=when,
        happened_at=parts.At(at=when, from_="received" if raw else "port"),
        clock=clock(minutes),
        site="north-clinic",
        bench="bench-1",
        analyser=ANALYSER,
        driver=DRIVER if raw else None,
        producer=PRODUCER,
        integrity=None,
        source=source(seq, first, raw),
    )


def cases() -> dict[str, Record]:
    """These golden records, by the name of the case."""
    below = flag("below-range", "Methane is below the range of the analyser (2 ppm).", limit=2, limit_from="analyser")
    above = flag("above-range", "Hydrogen is above the range of the analyser (its end is not known).")
    lost = flag("not-measurable", "The analyser could not measure methane (it sent '----').")
    none = flag("oxygen-missing", f"No oxygen level: {quantity.NO_OXYGEN}.")
    garbled = flag("unreadable", "No value for hydrogen: the field could not be read as a number.")
    unset = flag("clock-unsure", "This machine's clock was not kept right by a time source.")
    twice = flag("clock-unsure", "The analyser's clock shows an hour that happens twice when the clocks go back.")
    return {
        "reading-breath": reading_of("RES;0412;24/11/2026 10:31;B;37;4;16.40", seq=12, minutes=149),
        "reading-below-range": reading_of("RES;0413;24/11/2026 10:46;B;37;<2;16.4", below, seq=13, minutes=164),
        "reading-above-range": reading_of("RES;0414;24/11/2026 11:01;B;OVR;4;16.1", above, seq=14, minutes=179),
        "reading-not-measurable": reading_of("RES;0415;24/11/2026 11:16;B;37;----;16.0", lost, seq=15, minutes=194),
        "reading-unreadable": reading_of("RES;0416;24/11/2026 11:31;B;3x;4;16.0", garbled, seq=16, minutes=209),
        "reading-room-air": reading_of("RES;0411;24/11/2026 10:02;A;0;2;20.9", seq=11, minutes=120),
        "reading-calibration-gas": reading_of("RES;0410;24/11/2026 09:58;C;100;50;0.0", seq=10, minutes=116),
        "reading-no-oxygen": reading_of("RES;0417;24/11/2026 11:46;B;37;4", none, seq=17, minutes=224),
        "reading-no-number": reading_of("RES;;;B;12.50;0.00000010;16.0", seq=18, minutes=225),
        "reading-clock-not-synchronised": reading_of(
            "RES;0418;24/11/2026 11:48;B;37;4;16.0", unset, seq=19, minutes=226, clock=clock(226, synchronised=False)
        ),
        "reading-analyser-clock-ambiguous": reading_of(
            "RES;0419;25/10/2026 02:30;B;37;4;16.0", twice, seq=20, minutes=227
        ),
        "reading-production": reading_of(
            "RES;0420;24/11/2026 11:50;B;37;4;16.0", seq=21, minutes=228, purpose="production"
        ),
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
