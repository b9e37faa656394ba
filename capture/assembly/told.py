"""Events that no driver decoded: what a person noted of an analyser, and what this bench noticed itself.

Rules:
- The words are for people and the detail for programs; neither says more than was noted or noticed.
- An event of an act is named by that act, so that telling it again is telling the same.
- How a record names the clock, the instrument and the driver is said here, once, for every record.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Literal

from capture.record import ids, parts, quantity, text, times
from capture.record.event import FORMAT, AnalyserEvent

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from uuid import UUID

    from capture.record.moment import Bench, DriverUsed, Heard, Instrument, Purpose
    from capture.record.quantity import Quantity

_WHO_SAYS_WHEN = {"operator": "operator", "bench": "bench", "analyser": "received"}


def event(  # noqa: PLR0913 - a record has that many sides, and none of them has a default that would be true
    name: str,
    *,
    words: str,
    bench: Bench,
    analyser: Instrument,
    purpose: Purpose,
    heard: Heard,
    act: int,
    seq: int,
    about: Literal["analyser", "port"] = "analyser",
    origin: Literal["bench", "operator"] = "bench",
    detail: Mapping[str, str | Quantity] | None = None,
    happened_at: datetime | None = None,
    driver: DriverUsed | None = None,
    nth: int = 0,
    stream: UUID | None = None,
) -> AnalyserEvent:
    """The record of one event that came of act number `act`; `seq` is the number that the journal will give to the record.

    `words`: a sentence for people, without its full stop or with it. `happened_at`: where it was before `heard`.
    `nth`: which event of that act, from 0. `driver`, `stream`: what was being decoded, where that belongs to it.
    """
    sentence = quantity.clean(words)
    return AnalyserEvent(
        format=FORMAT,
        purpose=purpose,
        id=ids.act_event(purpose, bench.journal, act, nth),
        revision=1,
        status="final",
        change=None,
        origin=origin,
        name=name,
        about=about,
        words=sentence if sentence.endswith((".", "!", "?")) else f"{sentence}.",
        detail={
            quantity.clean(key): quantity.clean(said) if isinstance(said, str) else said
            for key, said in (detail or {}).items()
        },
        received_at=times.in_utc(heard.utc),
        happened_at=parts.At(at=times.in_utc(happened_at or heard.utc), from_=_WHO_SAYS_WHEN[origin]),
        clock=machine_clock(heard),
        site=bench.site,
        bench=bench.name,
        analyser=instrument(analyser),
        driver=driver and driver_used(driver),
        producer=text.producer(),
        integrity=None,
        source=parts.Source(journal=bench.journal, seq=seq, stream=stream, spans=(), sha256=None, raw=None),
    )


def machine_clock(heard: Heard) -> parts.MachineClock:
    """The machine's clock behind a time."""
    return parts.MachineClock(synchronised=heard.synchronised, boot=heard.boot, since_boot_ms=heard.since_boot_ms)


@lru_cache(maxsize=64)
def instrument(known: Instrument) -> parts.Analyser:
    """The instrument, as far as it is known."""
    return parts.Analyser(
        id=known.id,
        make=known.make,
        model=known.model,
        serial_number=known.serial_number,
        firmware=known.firmware,
    )


@lru_cache(maxsize=64)
def driver_used(used: DriverUsed) -> parts.DriverUsed:
    """The driver that gave bytes their meaning."""
    return parts.DriverUsed(name=used.name, version=used.version, sha256=used.sha256)
