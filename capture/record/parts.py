"""The objects that the records share. A name means the same wherever it stands."""

from typing import Annotated, Literal
from uuid import UUID

from capture.record.base import Bytes, Digest, Exact, Instant, Ordinal, Part, Truth, Whole, open_list, told
from capture.record.changes import CHANGES
from capture.record.words import FLAGS, About, Severity

Purpose = Literal["production", "training"]
Status = Literal["preliminary", "final", "corrected", "entered-in-error"]
Integrity = Annotated[
    Literal["crc", "checksum", "parity", "none"],
    open_list("crc", "checksum", "parity", "none"),
]


class At(Part):
    """A moment, and who says so."""

    at: Instant = told("The moment, RFC 3339 in UTC with milliseconds.")
    from_: Annotated[
        str, open_list("received", "analyser", "port", "operator", "bench", "measured", "container", "patient")
    ] = told("Who says so.", alias="from")


class MachineClock(Part):
    """The clock of the machine that read the bytes."""

    synchronised: Truth | None = told("Whether a time source kept it right at that moment.")
    boot: UUID | None = told("This start of the machine; null where the time comes from a recording.")
    since_boot_ms: Whole | None = told(
        "Time since then, on a clock that counts through sleep and is never set. Within one `boot` it gives true "
        "intervals even where the wall clock was wrong.",
        unit="ms",
    )


class AnalyserClock(Part):
    """What the analyser's own clock said. Never used to put readings in order."""

    text: str = told("The clock exactly as sent.")
    at: Instant | None = told("The same in UTC; null where it cannot be read or its local hour is not unique.")
    zone_from: Annotated[str, open_list("configuration")] | None = told("Who says in which time zone it runs.")
    offset_s: Exact | None = told("`at` minus `received_at`: how far the analyser's clock is off.", unit="s")


class Analyser(Part):
    """The instrument."""

    id: str = told("Its name in the configuration of this bench.")
    make: str | None = told("Its maker, as configured.")
    model: str | None = told("Its model, as configured.")
    serial_number: str | None = told("Its serial number.")
    firmware: str | None = told("The version of its own program.")


class DriverUsed(Part):
    """The driver that gave the bytes their meaning."""

    name: str = told("The name of the driver or driver sheet; it describes a format.")
    version: str = told("Its version.")
    sha256: Digest = told("The SHA-256 of its text; the journal keeps that text.")


class Producer(Part):
    """The program that wrote this record."""

    name: str = told("The name of the program.")
    version: str | None = told("Its version.")


class Source(Part):
    """Where this record can be walked back to."""

    journal: UUID = told("The journal that keeps it.")
    seq: Ordinal = told("This record's own number in that journal: dense, rising, never used again.")
    stream: UUID | None = told("The stream of bytes it comes from: one opening of one port.")
    spans: tuple[Bytes, ...] = told("Which bytes of that stream, as `[start, end]`, half open.", unit="byte")
    sha256: Digest | None = told("The SHA-256 of those bytes, in order; null where there are none.")
    raw: str | None = told(
        "Those bytes themselves: printable ASCII as is, a backslash and all else as `\\xNN`. Null unless a site asks "
        "for it, because it may hold a name."
    )


class Replaced(Part):
    """The record that a change replaces."""

    id: UUID = told("Its `id`.")
    revision: Ordinal = told("Its `revision`.")


class Change(Part):
    """Why this revision exists."""

    replaces: Replaced = told("What it replaces.")
    code: Annotated[str, open_list(*CHANGES)] = told("The kind of change; the table of changes explains each.")
    reason: str | None = told("The reason, in the words of the person who made it.")
    by: str | None = told("Who made it.")
    at: Instant = told("When it was made.")


class Flag(Part):
    """A named observation; the reading stays as it is."""

    code: Annotated[str, open_list(*FLAGS)] = told("The name of the observation; the table of flags explains each.")
    about: Annotated[About, open_list("sample", "analyser", "record")] = told(
        "What it is about. Flags about the record never lower `sample_quality`."
    )
    severity: Severity = told("How much it matters: worth knowing, a reason to doubt, a reason not to use it.")
    text: str = told("One sentence for people. Not for programs.")
    value: Exact | None = told("What was observed, in the unit of what the text names.")
    limit: Exact | None = told("The limit it was held against, in the same unit.")
    limit_from: str | None = told("Who set that limit: `analyser`, or a protocol's file and version.")
