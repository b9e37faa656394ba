"""A protocol: a site's own file for one kind of test, as the frozen model that decisions work with.

Rules:
- Every value that is a fact or a choice of somebody's carries `source`: where it comes from, in words.
- What a protocol does not say is null, and null is never filled in: no limit means no flag.
- A dose stands here for adults only: a child's is the prescriber's, for each test.
- Files are read in `capture.protocols`; nothing here knows a file. Errors and the table of all keys are made of the
  words and examples that stand here (`key`).
"""

from datetime import date
from decimal import Decimal
from itertools import pairwise
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

Severity = Literal["note", "doubt", "fail"]
Person = Literal["adult", "child", "any"]

_SLUG = frozenset("abcdefghijklmnopqrstuvwxyz0123456789-")
_LONGEST = 1000
_MOST_MINUTES = 1440  # a day; more is a slip of the keyboard


def key(default: Any, meaning: str, example: str, **limits: Any) -> Any:  # noqa: ANN401 - the signature of pydantic's own Field
    """A key of the file: what it means and how it is written. `...`: it must be there."""
    return Field(default, description=meaning, examples=[example], **limits)


def _words(text: str) -> str:
    if not text or text != text.strip() or not text.isprintable() or len(text) > _LONGEST:
        raise ValueError(f"must be 1 to {_LONGEST} printable characters on one line, no blanks at either end")
    return text


def _name(text: str) -> str:
    if not 1 <= len(text) <= 32 or not _SLUG.issuperset(text):
        raise ValueError('must be 1 to 32 of the characters a-z, 0-9 and "-"')
    return text


def _exact(given: object) -> object:
    """TOML's whole numbers and decimals, digits kept; nothing else is a number here."""
    if isinstance(given, int) and not isinstance(given, bool):
        return Decimal(given)
    return given


def _above_zero(number: Decimal) -> Decimal:
    if not 0 < number < 100_000:
        raise ValueError("must be a number above 0 and below 100000")
    exponent = number.as_tuple().exponent
    if not isinstance(exponent, int) or not -6 <= exponent <= 0:
        raise ValueError("must be written plain, with at most 6 digits behind the point")
    return number


def _minute(number: Decimal) -> Decimal:
    if number.as_tuple().exponent != 0 or number > _MOST_MINUTES:
        raise ValueError(f"must be a whole number of minutes, at most {_MOST_MINUTES}")
    return number


Words = Annotated[str, AfterValidator(_words)]
Amount = Annotated[Decimal, BeforeValidator(_exact), AfterValidator(_above_zero)]
Minute = Annotated[Amount, AfterValidator(_minute)]
"""Whole: a time point's label (`K7-60`) is made of it."""


def _broken(at: str, words: str) -> PydanticCustomError:
    """A rule over several keys: `at` is the key, dotted, that a person has to change."""
    return PydanticCustomError("rule", "{at} {words}", {"at": at, "words": words})


def source(of: str) -> Any:  # noqa: ANN401 - as pydantic's Field
    """The key `source` of a table; in a file also a table with words for each key, which its reader joins."""
    return key(
        ...,
        f"where {of} comes from; or a table with the words for each key",
        'source = "our protocol 7, page 2"',
    )


class Part(BaseModel):
    """Base of a protocol and of every table inside one."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Approval(Part):
    """Who at the site answers for this protocol, and since when."""

    by: Words = key(..., "who at the site answers for this protocol", 'by = "Dr A. Example"')
    on: date = key(..., "since when", "on = 2026-11-24")


class Substrate(Part):
    """What is drunk. `amount` in `unit`, for an adult; None: the prescriber says. `minute_zero`: from which time of the dose."""

    name: Words = key(..., "what is drunk", 'name = "lactose"')
    amount: Amount | None = key(None, "an adult's dose; absent: the prescriber says", "amount = 25")
    unit: Words | None = key(None, "the unit of `amount`", 'unit = "g"')
    volume_ml: Amount | None = key(None, "the volume it is drunk in, mL; absent: not said", "volume_ml = 250")
    minute_zero: Literal["started", "finished"] = key(
        "started",
        "minutes are counted from when drinking began (`started`) or ended (`finished`)",
        'minute_zero = "started"',
    )
    source: Words = source("this")

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        if (self.amount is None) != (self.unit is None):
            raise _broken("unit", 'goes with `amount`: write both, e.g. amount = 25 and unit = "g", or neither')
        return self


class Baseline(Part):
    """Breaths before the substrate. `rule`: which of several is the baseline for whoever compares; nothing here does."""

    samples: Annotated[int, Field(ge=0, le=9)] = key(1, "how many breaths before the substrate, 0 to 9", "samples = 1")
    rule: Literal["first", "last", "lowest", "mean"] = key(
        "last",
        "which of several is the baseline, for whoever compares (this program does not): `first`, `last`, `lowest`, `mean`",
        'rule = "last"',
    )
    source: Words = source("this")


class Points(Part):
    """Planned minutes after minute 0, rising; `tolerance_min`: how far from them is still on time, None: not said."""

    minutes: tuple[Minute, ...] = key(
        (), "the planned minutes after the substrate, whole and rising", "minutes = [30, 60, 90, 120]", max_length=60
    )
    tolerance_min: Amount | None = key(
        None, "minutes off that are still on time; absent: not judged", "tolerance_min = 5"
    )
    source: Words = source("this")


class Question(Part):
    """A question about the preparation."""

    ask: Words = key(..., "a question about the preparation", 'ask = "Hours since the last meal?"')
    source: Words = source("it")


class Caution(Part):
    """What has to be acknowledged before the test is opened."""

    text: Words = key(
        ..., "what is acknowledged with initials when a test is opened", 'text = "Two identifiers checked."'
    )
    source: Words = source("it")


class Limit(Part):
    """One limit. `value` in `unit`; `severity`: how much it matters to be beyond it."""

    value: Amount = key(..., "the limit itself", "value = 16.5")
    unit: Words = key(..., "its unit, as the analyser writes it; in another unit nothing is judged", 'unit = "%"')
    severity: Severity = key("fail", "what it means to be beyond it: `note`, `doubt`, `fail`", 'severity = "doubt"')
    source: Words = source("it")


class Limits(Part):
    """What a sample is held against. None: nothing is judged."""

    oxygen_above: Limit | None = key(
        None,
        "more oxygen than this: a sign of room air in the sample",
        'oxygen_above = { value = 16.5, unit = "%", source = "…" }',
    )
    carbon_dioxide_below: Limit | None = key(
        None,
        "less carbon dioxide than this: likewise",
        'carbon_dioxide_below = { value = 3, unit = "%", source = "…" }',
    )


class Protocol(Part):
    """One kind of test. `text` is that of its file, `sha256` its digest (hex)."""

    name: Annotated[str, AfterValidator(_name)] = key(
        ..., "the protocol's name, as that of its file", 'name = "lactose"'
    )
    version: Words = key(..., "its version; records name it", 'version = "1"')
    title: Words = key(..., "its name for people", 'title = "Lactose, adult"')
    person: Person = key(..., "whom it is for: `adult`, `child` or `any`", 'person = "adult"')
    approved: Approval | None = key(
        None, "without it the protocol is for training only", 'approved = { by = "Dr A. Example", on = 2026-11-24 }'
    )
    substrate: Substrate | None = key(None, "what is drunk; absent: nothing", "[substrate]")
    baseline: Baseline = key(..., "the breaths before it", "[baseline]")
    points: Points = key(..., "the breaths after it", "[points]")
    questions: tuple[Question, ...] = key((), "questions about the preparation", "[[questions]]", max_length=40)
    cautions: tuple[Caution, ...] = key(
        (), "what is acknowledged before a test is opened", "[[cautions]]", max_length=40
    )
    limits: Limits = key(Limits(), "what a sample is held against; absent: nothing is judged", "[limits]")
    sha256: str
    text: str = Field(repr=False)

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        minutes = self.points.minutes
        drunk = self.substrate
        if any(later <= earlier for earlier, later in pairwise(minutes)):
            raise _broken("points.minutes", "must rise; write e.g. minutes = [30, 60, 90, 120]")
        if drunk is None and minutes:
            raise _broken("points.minutes", "are counted from the substrate: write [substrate], or leave them out")
        if drunk is not None and self.person != "adult":
            for name in ("amount", "volume_ml"):
                if getattr(drunk, name) is not None:
                    raise _broken(f"substrate.{name}", "must be left out: a child's dose is the prescriber's")
        if drunk is not None and not minutes and not self.baseline.samples:
            raise _broken(
                "points.minutes", "are missing: a test with a substrate needs a breath, here or in `baseline`"
            )
        return self

    @property
    def called(self) -> str:
        """Name and version, as records name it."""
        return f"{self.name} {self.version}"
