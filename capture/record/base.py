"""The base of every record model, and the few value types that all of them share.

Rules: models are frozen and forbid unknown names; no field has a default, so that absence is never an accident;
every field says in words what it means (`told`), because FORMAT.md and the JSON Schemas are made of these words.
"""

from datetime import datetime
from decimal import Decimal
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainValidator, StringConstraints, WithJsonSchema

from capture.record import times

UNIT_KEY = "x-unit"
"""Carries a field's unit from the model to the table in FORMAT.md; removed from the published schema."""


class Part(BaseModel):
    """Base of a record and of every object inside one."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        validate_by_name=True,
        validate_by_alias=True,
        serialize_by_alias=True,
    )


def told(meaning: str, *, unit: str | None = None, alias: str | None = None) -> Any:  # noqa: ANN401 - as pydantic.Field
    """A field of a record: its meaning in words, its unit, and its name in JSON where Python reserves that word."""
    return Field(description=meaning, json_schema_extra={UNIT_KEY: unit} if unit else None, alias=alias)


def open_list(*words: str) -> WithJsonSchema:
    """The words known today of a list that may grow: the published schema names them without closing the list."""
    return WithJsonSchema({"type": "string", "examples": list(words)})


def _exact(given: object) -> object:
    """Only exact numbers: a binary fraction, a text or a truth value is no measured value."""
    if isinstance(given, Decimal):
        return given
    if isinstance(given, int) and not isinstance(given, bool):
        return Decimal(given)
    raise ValueError(f"must be an exact number (Decimal or whole), not {type(given).__name__}")


def _instant(given: object) -> datetime:
    if isinstance(given, datetime):
        return times.in_utc(given)
    if isinstance(given, str):
        return times.instant(given)
    raise ValueError(f"must be a time, not {type(given).__name__}")


Exact = Annotated[Decimal, BeforeValidator(_exact), WithJsonSchema({"type": "number"})]
"""A finite decimal number whose digits are meaning. Whole numbers read back from JSON come as int and are taken."""

Instant = Annotated[
    datetime,
    PlainValidator(_instant),
    WithJsonSchema({"type": "string", "format": "date-time", "pattern": times.PATTERN}),
]
"""A moment in UTC, to the millisecond."""

Whole = Annotated[int, Field(strict=True, ge=0)]
Ordinal = Annotated[int, Field(strict=True, ge=1)]
Truth = Annotated[bool, Field(strict=True)]
Slug = Annotated[str, StringConstraints(pattern=r"^[a-z0-9-]{1,32}$")]
"""A name that is safe in a file name and in a topic."""
Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
"""A SHA-256 in lower-case hex."""
Bytes = Annotated[
    tuple[Whole, Whole],
    WithJsonSchema(
        {
            "type": "array",
            "prefixItems": [{"type": "integer", "minimum": 0}, {"type": "integer", "minimum": 0}],
            "minItems": 2,
            "maxItems": 2,
        }
    ),
]
"""`[start, end]`: a half-open run of bytes of a stream, counted from 0."""
