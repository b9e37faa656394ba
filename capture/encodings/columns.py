"""The columns of tables of records: name, datatype, meaning, and where in the record the cell comes from.

Rules of the room:
- A column is never renamed, moved, retyped or given another meaning inside a major version; new ones come at the end.
- What a table has no column for is named in one (`further_gases`), or is whole text (`detail`): nothing is left out
  without a word. The whole record is the JSON.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, get_args

from capture.record import numbers
from capture.record.breath_test import TestStatus
from capture.record.parts import Status

if TYPE_CHECKING:
    from collections.abc import Callable

Record = dict[str, Any]

GASES = ("hydrogen", "methane", "carbon_dioxide", "hydrogen_sulfide", "nitric_oxide", "carbon_monoxide")
"""The gases that have columns. (When the register of gases grows, columns for the new ones come at the right end.)"""


@dataclass(frozen=True, slots=True)
class Column:
    """One column. `type` is a datatype of XML Schema as the metadata writes it; `time` is RFC 3339 in UTC with ms."""

    name: str
    type: Literal["string", "integer", "decimal", "time"]
    meaning: str
    of: Callable[[Record], object]
    required: bool = False
    unit: str | None = None


def _at(*path: str) -> Callable[[Record], object]:
    """The value at a path of names; null where anything on the way is."""

    def of(record: Record) -> object:
        value: Any = record
        for name in path:
            if value is None:
                return None
            value = value.get(name)
        return value

    return of


def _beside(_record: Record) -> None:
    """Travels beside the record: whoever sends it gives it."""


DELIVERY = (
    Column("delivery", "integer", "Delivery number: dense in this folder and epoch.", _beside, required=True),
    Column("epoch", "string", "UUID: another one where delivery numbers began anew.", _beside, required=True),
)


def _revised(statuses: tuple[str, ...]) -> tuple[Column, ...]:
    return (
        Column("id", "string", "UUID of the record, the same in every revision.", _at("id"), required=True),
        Column("revision", "integer", "A higher one replaces the lower.", _at("revision"), required=True),
        Column("status", "string", ", ".join(statuses) + ".", _at("status"), required=True),
        Column("purpose", "string", "production, or training: never for a chart.", _at("purpose"), required=True),
        Column("change", "string", "Why there is this revision, as a word.", _at("change", "code")),
        Column("change_reason", "string", "The reason in words.", _at("change", "reason")),
    )


def _quantity(name: str, *path: str) -> tuple[Column, ...]:
    return (
        Column(name, "decimal", f"{name}: the analyser's own digits; null: see the state.", _at(*path, "value")),
        Column(f"{name}_unit", "string", f"{name}: the unit as the analyser writes it.", _at(*path, "unit")),
        Column(
            f"{name}_comparator", "string", f"{name}: <, <=, >= or >; null: equal or unknown.", _at(*path, "comparator")
        ),
        Column(f"{name}_state", "string", f"{name}: ok, or why there is no plain value.", _at(*path, "state")),
    )


def _gas(name: str) -> tuple[Column, ...]:
    return _quantity(name, "gases", name)


def _further(record: Record) -> str | None:
    return " ".join(name for name in record["gases"] if name not in GASES) or None


def _flags(record: Record) -> str | None:
    return " ".join(dict.fromkeys(flag["code"] for flag in record["flags"])) or None


def _subject(record: Record) -> object:
    return _at("breath_test", "subject", "value")(record)


def _whole(name: str) -> Callable[[Record], str | None]:
    """A list or object as its JSON; null where there is nothing in it."""

    def of(record: Record) -> str | None:
        return numbers.dumps(record[name]) if record[name] else None

    return of


def _counting(record: Record) -> str | None:
    return " ".join(point["counts"]["reading"] for point in record["points"] if point["counts"]) or None


_BENCH = (
    Column("site", "string", "The site, as configured.", _at("site"), required=True),
    Column("bench", "string", "The bench, as configured.", _at("bench"), required=True),
)
_WHERE = (
    *_BENCH,
    Column("analyser", "string", "The analyser, as configured.", _at("analyser", "id"), required=True),
    Column("analyser_serial_number", "string", "Its serial number.", _at("analyser", "serial_number")),
)
_JOURNAL = (
    Column("journal", "string", "UUID of the journal that keeps the record.", _at("source", "journal"), required=True),
    Column("seq", "integer", "The record's number in that journal.", _at("source", "seq"), required=True),
)
_SOURCE = (
    Column(
        "integrity", "string", "How the frame proved that it arrived undamaged; none: it could not.", _at("integrity")
    ),
    *_JOURNAL,
)

READING = (
    *_revised(get_args(Status)),
    Column("received_at", "time", "When the first byte was read here.", _at("received_at"), required=True),
    Column("measured_at", "time", "When it was analysed.", _at("measured_at", "at")),
    Column("measured_from", "string", "Who says so.", _at("measured_at", "from")),
    Column("collected_at", "time", "When the breath left the body.", _at("collected_at", "at")),
    Column("collected_from", "string", "Who says so.", _at("collected_at", "from")),
    Column("analyser_clock", "string", "What the analyser's own clock said.", _at("analyser_clock", "text")),
    *_WHERE,
    Column("number", "string", "The analyser's own number of the measurement.", _at("sample", "analyser_number")),
    Column("kind", "string", "breath, room-air, calibration-gas, zero-gas, unknown.", _at("kind"), required=True),
    Column("breath_test", "string", "UUID of the breath test it belongs to.", _at("breath_test", "id")),
    Column("breath_test_label", "string", "Its label at the bench.", _at("breath_test", "label")),
    Column("subject", "string", "The person; a pseudonym unless the site decided otherwise.", _subject),
    Column("substrate", "string", "What is to be drunk in that test; null: nothing.", _at("breath_test", "substrate")),
    Column("role", "string", "baseline, timed, extra.", _at("breath_test", "role")),
    Column("nominal_min", "decimal", "The planned minute.", _at("breath_test", "nominal_min"), unit="min"),
    Column("since_substrate_min", "decimal", "The real one.", _at("breath_test", "since_substrate_min"), unit="min"),
    Column("attempt", "integer", "Which attempt at this sample.", _at("breath_test", "attempt")),
    *_quantity("oxygen", "oxygen"),
    *_gas("hydrogen"),
    *_gas("methane"),
    *_gas("carbon_dioxide"),
    *_gas("hydrogen_sulfide"),
    *_gas("nitric_oxide"),
    *_gas("carbon_monoxide"),
    Column("further_gases", "string", "Gases in the record that have no column here, by name.", _further),
    Column("flags", "string", "Codes of its flags, a space between.", _flags),
    Column("sample_quality", "string", "In words; not-judged: no limit applies.", _at("sample_quality"), required=True),
    *_SOURCE,
    Column("point", "string", "The label of the time point in that test.", _at("breath_test", "point")),
    Column(
        "measurement",
        "string",
        "UUID of the measurement on the wire: the same in every record that was ever made of it.",
        _at("measurement"),
        required=True,
    ),
    Column("replaces_id", "string", "The id of the record that this one replaces.", _at("change", "replaces", "id")),
    Column("replaces_revision", "integer", "Its revision.", _at("change", "replaces", "revision")),
)

EVENT = (
    *_revised(get_args(Status)),
    Column(
        "received_at",
        "time",
        "When the first byte was read here, or this bench noticed.",
        _at("received_at"),
        required=True,
    ),
    Column("happened_at", "time", "When it happened, as far as is known.", _at("happened_at", "at")),
    Column("happened_from", "string", "Who says so.", _at("happened_at", "from")),
    *_WHERE,
    Column("name", "string", "What happened, as a word.", _at("name"), required=True),
    Column("about", "string", "analyser or port.", _at("about"), required=True),
    Column("words", "string", "The same in a sentence.", _at("words"), required=True),
    Column("detail", "string", "What was said beside it, as JSON.", _whole("detail")),
    *_SOURCE,
)

TEST = (
    *_revised(get_args(TestStatus)),
    Column("opened_at", "time", "When it was opened.", _at("opened_at"), required=True),
    Column("opened_by", "string", "Who opened it.", _at("opened_by")),
    Column("revised_at", "time", "When the act was done that this revision is of.", _at("revised_at"), required=True),
    *_BENCH,
    Column("label", "string", "Its label at the bench.", _at("label"), required=True),
    Column("subject", "string", "The person; a pseudonym unless the site decided otherwise.", _at("subject", "value")),
    Column("subject_system", "string", "Who gave that identifier.", _at("subject", "system")),
    Column("order", "string", "The order it was made for.", _at("order", "value")),
    Column("order_system", "string", "Who gave that identifier.", _at("order", "system")),
    Column("person", "string", "adult or child.", _at("person"), required=True),
    Column("protocol", "string", "The protocol's name.", _at("protocol", "name"), required=True),
    Column("protocol_version", "string", "Its version.", _at("protocol", "version"), required=True),
    Column("substrate", "string", "What is to be drunk; null: nothing.", _at("substrate")),
    Column("dose_amount", "decimal", "How much of it was given.", _at("dose", "amount")),
    Column("dose_unit", "string", "The unit of that.", _at("dose", "unit")),
    Column("dose_volume_ml", "decimal", "The volume it was dissolved in.", _at("dose", "volume_ml"), unit="mL"),
    Column("dose_started", "time", "When drinking began.", _at("dose", "started")),
    Column("dose_finished", "time", "When it was drunk up.", _at("dose", "finished")),
    Column("dose_taken", "string", "How much was taken: all, part, none, vomited.", _at("dose", "taken")),
    Column("minute_zero", "time", "The moment from which minutes are counted.", _at("minute_zero", "at")),
    Column("minute_zero_from", "string", "Which time of the dose that is.", _at("minute_zero", "from")),
    Column("counting", "string", "UUIDs of the readings that count, a space between, in order of points.", _counting),
    Column("outcome", "string", "completed, stopped-early, abandoned; null: it has not ended.", _at("outcome")),
    Column("outcome_reason", "string", "Why, where it was not completed.", _at("outcome_reason")),
    Column(
        "reviewed_at", "time", "When it was reviewed; null: not, or not since its last change.", _at("reviewed", "at")
    ),
    Column("reviewed_by", "string", "Who reviewed it.", _at("reviewed", "by")),
    Column("points", "string", "The time points with their readings and containers, as JSON.", _whole("points")),
    Column("dose", "string", "All that is known of the dose, as JSON.", _whole("dose")),
    Column("preparation", "string", "The answers about the preparation, as JSON.", _whole("preparation")),
    Column("symptoms", "string", "What the person felt, as JSON.", _whole("symptoms")),
    Column("notes", "string", "Remarks, as JSON.", _whole("notes")),
    *_JOURNAL,
)

KINDS = {"reading": READING, "event": EVENT, "test": TEST}
"""The columns by kind of record."""
