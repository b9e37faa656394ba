"""`breath-reading/1`: one result of one analyser. FORMAT.md explains every name to a stranger."""

from typing import Annotated, Literal, Self
from uuid import UUID

from pydantic import model_validator

from capture.record.base import Exact, Instant, Ordinal, Part, Slug, Truth, open_list, told
from capture.record.parts import (
    Analyser,
    AnalyserClock,
    At,
    Change,
    DriverUsed,
    Flag,
    Integrity,
    MachineClock,
    Producer,
    Purpose,
    Source,
    Status,
)
from capture.record.quantity import Quantity
from drivers import contract

FORMAT = "breath-reading/1"

SampleQuality = Literal["satisfactory", "doubtful", "unsatisfactory", "not-judged"]


class Sample(Part):
    """How the breath came into the analyser."""

    interface: Annotated[str, open_list("mouthpiece", "mask", "nasal", "airway", "unknown")] = told(
        "What the person breathed through."
    )
    container: Annotated[str, open_list("none", "bag", "syringe", "tube", "unknown")] = told(
        "What kept the sample until it was measured; `none`: straight into the analyser."
    )
    label: str | None = told("The label on that container.")
    hold_s: Exact | None = told("How long the breath was held before it was given.", unit="s")
    analyser_number: str | None = told("The analyser's own number of this measurement, as sent.")
    analyser_subject: str | None = told("An identifier keyed in at, or sent by, the analyser, as sent.")
    from_: Annotated[str, open_list("analyser", "operator", "configuration")] | None = told(
        "Who says how the sample was taken.", alias="from"
    )


class DeadSpace(Part):
    """Values corrected for room air, beside the raw ones and never instead of them."""

    reference_gas: str = told("The gas that shows how much room air there is.")
    reference: Exact = told("Its level in breath without room air, in the unit of that gas.")
    ambient: Exact = told("Its level in room air, in the unit of that gas.")
    factor: Exact = told("What the other gases were multiplied by.")
    gases: dict[str, Exact] = told("The corrected values by gas, each in the unit of the raw value.")
    uncertainty: Exact | None = told("The relative uncertainty of the factor.")
    source: str = told("Where the method and its constants come from.")


class LastCheck(Part):
    """A calibration, or a check with gas: the last one of its kind that is known."""

    at: Instant = told("When.")
    result: Annotated[str, open_list("passed", "failed")] = told("How it ended; a failure stands until a pass.")
    event: UUID | None = told("The `id` of the event that says so.")
    by: str | None = told("Who did it.")


class AnalyserCondition(Part):
    """What is known of the analyser at that moment."""

    on_since: At | None = told("When it was switched on.")
    warm: Truth | None = told("Whether it says that it has warmed up.")
    calibration: LastCheck | None = told("Its last calibration: it was adjusted to a known gas.")
    gas_check: LastCheck | None = told("Its last check with gas: it measured a known gas, and was not adjusted.")


class Named(Part):
    """An identifier and the system that gave it."""

    system: str | None = told("The system that gave the identifier.")
    value: str = told("The identifier.")


class Bound(Part):
    """The act by which a reading came to a breath test."""

    how: Annotated[str, open_list("reserved", "assigned", "entered")] = told("The kind of act.")
    by: str | None = told("Who did it.")
    at: Instant = told("When.")


class BreathTestPlace(Part):
    """Which breath test this reading belongs to, and which of its samples."""

    id: UUID = told("The breath test.")
    label: str = told("The label of that test at the bench, e.g. `K7`; not of the sample.")
    subject: Named = told("The person; a pseudonym unless the site decided otherwise.")
    order: Named | None = told("The order that test was for when the reading came to it.")
    protocol: str | None = told("The name and version of the protocol.")
    substrate: str | None = told("What is to be drunk in that test; null: nothing.")
    point: str = told("The label of the time point it stands at, as in the test's `points`, e.g. `K7-60`.")
    role: Literal["baseline", "timed", "extra"] = told(
        "A breath before the substrate, a planned one after, or another."
    )
    nominal_min: Exact | None = told(
        "The planned minute after the substrate; null where none is planned: a baseline, or an extra one.",
        unit="min",
    )
    since_substrate_min: Exact | None = told(
        "The real minutes after the substrate, negative before it; null for a baseline, and while minute 0 is not known.",
        unit="min",
    )
    attempt: Ordinal = told("Which attempt at this sample.")
    bound: Bound = told("The act that put it here.")


class BreathReading(Part):
    """One result of one analyser, with everything needed to judge it and to walk back to its bytes."""

    format: Literal["breath-reading/1"] = told("The format of this record and its major version.")
    purpose: Purpose = told("`training` never belongs in a chart.")
    id: UUID = told("This reading of this subject. With `revision` the same on every resend, restart and replay.")
    revision: Ordinal = told("Rises by one with each change; a higher one replaces the lower.")
    measurement: UUID = told(
        "The measurement on the wire. Equals `id` unless the reading was retracted and then given to somebody anew."
    )
    status: Status = told("`preliminary`: bound to nobody or not yet confirmed. `entered-in-error`: retracted.")
    change: Change | None = told("Why this revision or this `id` exists; null for a first one.")
    origin: Annotated[Literal["analyser", "operator", "bench"], open_list("analyser", "operator", "bench")] = told(
        "Where the content comes from: sent by the analyser, typed in by a person, or noticed by this bench."
    )
    kind: Annotated[
        contract.Kind,
        open_list("breath", "room-air", "calibration-gas", "zero-gas", "unknown"),
    ] = told("What was measured. Treat a word you do not know as not breath.")
    kind_from: Annotated[str, open_list("analyser", "operator", "reservation")] | None = told("Who says so.")
    received_at: Instant = told("When the first byte was read here, RFC 3339 in UTC with milliseconds.")
    measured_at: At | None = told("When it was analysed.")
    collected_at: At | None = told("When the breath left the body: the only base of minutes.")
    analyser_clock: AnalyserClock | None = told("What the analyser's own clock said.")
    clock: MachineClock = told("The state of the clock behind `received_at`.")
    site: Slug = told("The site, as configured.")
    bench: Slug = told("The bench, as configured: this PC with its analysers.")
    analyser: Analyser = told("The instrument.")
    driver: DriverUsed | None = told("The driver that gave the bytes their meaning.")
    producer: Producer = told("The program that wrote this record.")
    sample: Sample = told("How the breath came into the analyser.")
    oxygen: Quantity = told("Oxygen in the sample; `not-measured` where the format carries none.")
    gases: dict[str, Quantity] = told("Every gas the analyser reported, by name; one it never measures is absent.")
    other: dict[str, str | Quantity] = told("Everything else the driver named.")
    dead_space: DeadSpace | None = told("Values corrected for room air, if the site configured it.")
    flags: tuple[Flag, ...] = told(
        "Named observations, made when the result came; those of a protocol's limits, when it was bound."
    )
    sample_quality: SampleQuality = told(
        "The worst flag about sample or analyser, in words; `not-judged` while no oxygen or carbon dioxide limit applies."
    )
    analyser_state: AnalyserCondition = told("What was known of the analyser when the result came.")
    breath_test: BreathTestPlace | None = told("The patient's test it belongs to; null: bound to nobody.")
    integrity: Integrity = told("How the frame proved that it arrived undamaged; `none`: it could not.")
    source: Source = told("Where this record can be walked back to.")

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        if self.change is None and (self.revision > 1 or self.id != self.measurement):
            raise ValueError("a later revision or another id needs a change that says why")
        if self.breath_test is not None and self.kind != "breath":
            raise ValueError("only breath belongs to a breath test")
        return self
