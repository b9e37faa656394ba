"""`breath-test/1`: one patient's series, from opening to review. A name shared with a reading means the same.

Rules:
- It says what was planned, what was done and which reading counts; it holds no value and no interpretation.
- Values stand in the readings it names, once.
"""

from typing import Annotated, Literal, Self
from uuid import UUID

from pydantic import model_validator

from capture.record.base import Digest, Exact, Instant, Ordinal, Part, Slug, open_list, told
from capture.record.parts import Change, MachineClock, Producer, Purpose, Source
from capture.record.reading import Named, SampleQuality

FORMAT = "breath-test/1"

TestStatus = Literal["registered", "preliminary", "final", "corrected", "cancelled", "entered-in-error"]
Role = Literal["baseline", "timed", "extra"]
Outcome = Annotated[str, open_list("completed", "stopped-early", "abandoned")]


class Done(Part):
    """Who did something, and when."""

    by: str | None = told("The initials they gave: a statement, not a log-in.")
    at: Instant = told("When it was done.")


class ProtocolUsed(Part):
    """The protocol of this test, as it was when the test was opened."""

    name: str = told("Its name.")
    version: str = told("Its version.")
    title: str = told("The same for people.")
    sha256: Digest = told("The SHA-256 of its text; the journal keeps that text.")
    approved_by: str | None = told("Who approved it at the site; null: nobody.")


class Dose(Part):
    """What was given to drink, as far as it is known."""

    amount: Exact | None = told("How much of the substrate.", unit="`unit`")
    unit: str | None = told("The unit of `amount`, e.g. `g`.")
    volume_ml: Exact | None = told("The volume it was dissolved in.", unit="mL")
    lot: str | None = told("The lot of the substrate.")
    expiry: str | None = told("Its expiry date, as on the pack.")
    started: Instant | None = told("When drinking began.")
    finished: Instant | None = told("When it was drunk up.")
    taken: Annotated[str, open_list("all", "part", "none", "vomited")] = told("How much of it was taken.")
    given_by: str | None = told("Who gave it.")
    text: str | None = told("What else was said of it.")


class MinuteZero(Part):
    """The moment from which minutes are counted."""

    at: Instant = told("The moment.")
    from_: Annotated[str, open_list("started", "finished")] = told(
        "Which time of the dose it is, as the protocol wants it.", alias="from"
    )
    clock: MachineClock | None = told(
        "The clock behind `at` where the act was made at that moment; null: the time was typed in."
    )


class Answer(Part):
    """One answer about the preparation, word for word."""

    question: str = told("The question, as the protocol asks it.")
    answer: str = told("The answer, as it was given.")


class Container(Part):
    """A sample that was taken into a container, to be measured later."""

    label: str = told("The label on it; used once at this bench while it is not settled.")
    kind: Annotated[str, open_list("bag", "syringe", "tube", "unknown")] = told("What it is.")
    collected_at: Instant = told("When the breath left the body.")
    clock: MachineClock | None = told(
        "The clock behind `collected_at` where the act was made at that moment; null: the time was typed in."
    )
    by: str | None = told("Who took the sample.")
    reading: UUID | None = told("The reading it gave; null: not measured.")
    discarded: str | None = told("Why it will not be measured; null: it was, or is to be.")


class Attempt(Part):
    """One reading of a time point."""

    reading: UUID = told("The reading's `id`.")
    attempt: Ordinal = told("Which attempt it was.")
    status: Literal["preliminary", "final", "corrected"] = told("The reading's own `status`.")
    sample_quality: SampleQuality = told("The reading's own `sample_quality`.")
    collected_at: Instant = told("When the breath left the body.")
    since_substrate_min: Exact | None = told(
        "The real minutes after the substrate, negative before it; null for a baseline, and while minute 0 is not known.",
        unit="min",
    )


class Counts(Part):
    """Which reading of a time point counts, and why."""

    reading: UUID = told("The reading's `id`.")
    because: Annotated[str, open_list("first-usable", "chosen")] = told(
        "`first-usable`: the first that is neither unsatisfactory nor doubtful. `chosen`: a person said so."
    )
    reason: str | None = told("The reason, in the words of the person who chose it.")
    by: str | None = told("Who chose it.")


class TimePoint(Part):
    """One planned sample, or an extra one."""

    label: str = told("What people call it at the bench, e.g. `K7-60`.")
    role: Role = told("A breath before the substrate, a planned one after, or another.")
    nominal_min: Exact | None = told(
        "The planned minute after the substrate; null where none is planned: a baseline, or an extra one.",
        unit="min",
    )
    tolerance_min: Exact | None = told("How far from it is still on time, as the protocol says.", unit="min")
    due_at: Instant | None = told("When it is due; null: not known yet.")
    containers: tuple[Container, ...] = told("Samples taken for it into containers.")
    attempts: tuple[Attempt, ...] = told("Its readings, in order of the attempts.")
    counts: Counts | None = told("The reading that counts; null: none, a gap.")


class Symptom(Part):
    """Something the person felt, or that was seen."""

    at: Instant = told("When.")
    since_substrate_min: Exact | None = told(
        "Minutes after the substrate, as counted when it was noted; they stay.", unit="min"
    )
    name: str = told("What, in the site's word.")
    score: Exact | None = told("How strong, on `scale`.")
    scale: str | None = told("The scale, in words, e.g. `0 to 10`.")
    text: str | None = told("What was said of it.")
    by: str | None = told("Who wrote it down.")


class Note(Part):
    """A remark."""

    at: Instant = told("When.")
    text: str = told("The remark.")
    by: str | None = told("Who made it.")


class BreathTest(Part):
    """One patient's series: what was planned, what was done, and which reading counts at each time point."""

    format: Literal["breath-test/1"] = told("The format of this record and its major version.")
    purpose: Purpose = told("`training` never belongs in a chart.")
    id: UUID = told("This breath test. With `revision` the same on every resend, restart and replay.")
    revision: Ordinal = told("Rises by one with each change; a higher one replaces the lower.")
    status: TestStatus = told(
        "`registered`: open, nothing measured. `preliminary`: under way, or its review is open again. `final`: reviewed. "
        "`corrected`: reviewed again after a change. `cancelled`: abandoned. `entered-in-error`: retracted."
    )
    change: Change | None = told("Why this revision exists; null for a first one.")
    label: str = told("Its label at the bench.")
    opened_at: Instant = told("When it was opened.")
    opened_by: str | None = told("Who opened it.")
    revised_at: Instant = told("When the act that made this revision was done.")
    site: Slug = told("The site, as configured.")
    bench: Slug = told("The bench, as configured: this PC with its analysers.")
    producer: Producer = told("The program that wrote this record.")
    subject: Named = told("The person; a pseudonym unless the site decided otherwise.")
    order: Named | None = told("The order it was made for.")
    person: Annotated[str, open_list("adult", "child")] = told("Which of the protocol's groups the person belongs to.")
    protocol: ProtocolUsed = told("The protocol of this test.")
    substrate: str | None = told("What is to be drunk; null: nothing.")
    cautions: Done | None = told("Who acknowledged the cautions that belong to it, and when.")
    dose: Dose | None = told("What was given; null: nothing yet.")
    minute_zero: MinuteZero | None = told("The moment from which minutes are counted; null: not known yet.")
    preparation: tuple[Answer, ...] = told("The answers about the preparation.")
    points: tuple[TimePoint, ...] = told("The time points: baselines first, then by minute, then extra ones.")
    symptoms: tuple[Symptom, ...] = told("What the person felt, or what was seen, in order of time.")
    notes: tuple[Note, ...] = told("Remarks, in order of time.")
    outcome: Outcome | None = told("How it ended; null: it has not.")
    outcome_reason: str | None = told("Why, where it was not completed.")
    reviewed: Done | None = told("Who reviewed it technically, and when; null: nobody, or not since its last change.")
    source: Source = told("Where this record can be walked back to.")

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        if self.change is None and self.revision > 1:
            raise ValueError("a later revision needs a change that says why")
        if (self.status in ("final", "corrected", "cancelled")) != (self.reviewed is not None):
            raise ValueError("a test is reviewed exactly while it is final, corrected or cancelled")
        labels = [point.label for point in self.points]
        if len(set(labels)) != len(labels):
            raise ValueError("two time points have the same label")
        return self
