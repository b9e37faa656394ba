"""`analyser-event/1`: something that happened to an analyser or its port. A name shared with a reading means the same."""

from typing import Annotated, Literal, Self
from uuid import UUID

from pydantic import model_validator

from capture.record.base import Instant, Ordinal, Part, Slug, open_list, told
from capture.record.parts import (
    Analyser,
    At,
    Change,
    DriverUsed,
    Integrity,
    MachineClock,
    Producer,
    Purpose,
    Source,
    Status,
)
from capture.record.quantity import Quantity
from capture.record.words import EVENTS

FORMAT = "analyser-event/1"


class AnalyserEvent(Part):
    """Something that happened to an analyser or its port."""

    format: Literal["analyser-event/1"] = told("The format of this record and its major version.")
    purpose: Purpose = told("`training` never belongs in a chart.")
    id: UUID = told("This event. With `revision` the same on every resend, restart and replay.")
    revision: Ordinal = told("Rises by one with each change; a higher one replaces the lower.")
    status: Status = told("`final` when made. `entered-in-error`: retracted.")
    change: Change | None = told("Why this revision exists; null for a first one.")
    origin: Annotated[Literal["analyser", "operator", "bench"], open_list("analyser", "operator", "bench")] = told(
        "Where the content comes from: sent by the analyser, typed in by a person, or noticed by this bench."
    )
    name: Annotated[str, open_list(*EVENTS)] = told("What happened; the table of events explains each.")
    about: Annotated[str, open_list("analyser", "port")] = told("What it happened to.")
    words: str = told("The same in a sentence for people. Not for programs.")
    detail: dict[str, str | Quantity] = told(
        "What belongs to it, by name: what the analyser, the port or a person said beside it. `by`: who, where a person did."
    )
    received_at: Instant = told(
        "When the first byte was read here, or this bench noticed it, RFC 3339 in UTC with milliseconds."
    )
    happened_at: At = told("When it happened, as far as is known.")
    clock: MachineClock = told("The state of the clock behind `received_at`.")
    site: Slug = told("The site, as configured.")
    bench: Slug = told("The bench, as configured: this PC with its analysers.")
    analyser: Analyser = told("The instrument.")
    driver: DriverUsed | None = told("The driver that gave the bytes their meaning; null where there were none.")
    producer: Producer = told("The program that wrote this record.")
    integrity: Integrity | None = told("How the frame proved that it arrived undamaged; null: unknown, or no frame.")
    source: Source = told("Where this record can be walked back to.")

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        if self.change is None and self.revision > 1:
            raise ValueError("a later revision needs a change that says why")
        return self
