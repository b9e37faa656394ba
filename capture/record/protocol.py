"""A protocol: a site's own file for one kind of test, as the frozen model that decisions work with.

Rules:
- Every value that is a fact or a choice of somebody's carries `source`: where it comes from, in words.
- What a protocol does not say is null, and null is never filled in: no limit means no flag.
- Files are read in `capture.protocols`; nothing here knows a file.
"""

from datetime import date
from decimal import Decimal
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

Severity = Literal["note", "doubt", "fail"]


class Part(BaseModel):
    """Base of a protocol and of every table inside one."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Approval(Part):
    """Who at the site answers for this protocol, and since when."""

    by: str
    on: date


class Substrate(Part):
    """What is drunk. `amount` in `unit`, for an adult; None: the prescriber says. `minute_zero`: from which time of the dose."""

    name: str
    amount: Decimal | None = None
    unit: str | None = None
    volume_ml: Decimal | None = None
    minute_zero: Literal["started", "finished"] = "started"
    source: str


class Baseline(Part):
    """Breaths before the substrate. `rule`: which of several is the baseline."""

    samples: Annotated[int, Field(ge=0, le=9)] = 1
    rule: Literal["first", "last", "lowest", "mean"] = "last"
    source: str


class Points(Part):
    """Planned minutes after minute 0, rising; `tolerance_min`: how far from them is still on time, None: not said."""

    minutes: tuple[Decimal, ...] = ()
    tolerance_min: Decimal | None = None
    source: str


class Question(Part):
    """A question about the preparation."""

    ask: str
    source: str


class Caution(Part):
    """What has to be acknowledged before the test is opened."""

    text: str
    source: str


class Limit(Part):
    """One limit. `value` in `unit`; `severity`: how much it matters to be beyond it."""

    value: Decimal
    unit: str
    severity: Severity = "fail"
    source: str


class Limits(Part):
    """What a sample is held against. None: nothing is judged."""

    oxygen_above: Limit | None = None
    carbon_dioxide_below: Limit | None = None


class Protocol(Part):
    """One kind of test. `sha256` is that of its file's text, `template`: it came with the program and is nobody's yet."""

    name: Annotated[str, Field(pattern=r"^[a-z0-9-]{1,32}$")]
    version: str
    title: str
    person: Literal["adult", "child", "any"]
    approved: Approval | None = None
    substrate: Substrate | None = None
    baseline: Baseline
    points: Points
    questions: tuple[Question, ...] = ()
    cautions: tuple[Caution, ...] = ()
    limits: Limits = Limits()
    sha256: str
    text: str = Field(repr=False)

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        minutes = self.points.minutes
        if any(later <= earlier for earlier, later in pairwise(minutes)) or (minutes and minutes[0] <= 0):
            raise ValueError("minutes must rise, from above 0")
        if self.substrate is None and minutes:
            raise ValueError("minutes are counted from the substrate: without one there are none")
        if self.person == "child" and self.substrate is not None and self.substrate.amount is not None:
            raise ValueError("a child's dose is the prescriber's: leave `amount` out")
        if not minutes and not self.baseline.samples and self.substrate is not None:
            raise ValueError("a test with a substrate needs a sample")
        return self

    @property
    def called(self) -> str:
        """Name and version, as records name it."""
        return f"{self.name} {self.version}"
