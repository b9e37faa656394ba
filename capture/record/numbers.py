"""Decimal <-> JSON, digit for digit: the only way a record is written and read.

Rules, each learnt from a library that breaks it:
- The digits are the analyser's: 14.60 stays 14.60, and 0.0000001 does not become 1E-7. So numbers are written plain
  (`format(d, "f")`), never as text, never through a binary fraction.
- NaN and infinity are no JSON; writing or reading one is an error. So is a name that stands twice in one object.
- A text is never reordered or made canonical: canonical JSON turns 15.0 into 15. Compare and hash the stored bytes.
"""

from __future__ import annotations

import json
from datetime import datetime
from decimal import Decimal
from typing import Any, Final
from uuid import UUID

import simplejson

from capture.record import times

_WHOLE_DIGITS: Final = 18
"""Longer whole numbers are measured values, never our counters: read as Decimal, whatever their length."""


def plain(number: Decimal) -> str:
    """The digits of a finite decimal, without an exponent: Decimal("1E+1") -> 10. Raises ValueError for NaN, infinity."""
    if not number.is_finite():
        raise ValueError(f"{number} is no number that JSON can carry")
    return format(number, "f")


def _other(value: object) -> object:
    """What the encoder itself does not know. Decimals come here too: simplejson's own way writes exponents."""
    if isinstance(value, UUID):
        return str(value)
    if isinstance(value, Decimal):
        return simplejson.RawJSON(plain(value))
    if isinstance(value, datetime):
        return times.text(value)
    raise TypeError(f"a record cannot hold a {type(value).__name__}")


def _encoder(*, ensure_ascii: bool, indent: int | None = None) -> simplejson.JSONEncoder:
    return simplejson.JSONEncoder(
        use_decimal=False,
        default=_other,
        allow_nan=False,
        ensure_ascii=ensure_ascii,
        separators=(",", ": " if indent else ":"),
        indent=indent,
        namedtuple_as_object=False,
        encoding=None,  # type: ignore[arg-type]  # None is documented: bytes go to `default`, which refuses them
    )


_ENCODER: Final = _encoder(ensure_ascii=False)
_FAST: Final = _encoder(ensure_ascii=True)
_PRETTY: Final = _encoder(ensure_ascii=False, indent=2)


def dumps(value: object) -> str:
    """One line of JSON, names in the order given. Raises TypeError or ValueError for what a record cannot hold.

    The text is that of `_ENCODER`. The other one is a third faster, and the same unless it had to escape something.
    """
    text = _FAST.encode(value)
    return text if "\\u" not in text else _ENCODER.encode(value)


def pretty(value: object) -> str:
    """The same as `dumps`, over many lines, for people to look at."""
    return _PRETTY.encode(value)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    known: dict[str, Any] = {}
    for name, value in pairs:
        if name in known:
            raise ValueError(f"the name {name!r} stands twice in one object")
        known[name] = value
    return known


def _whole(digits: str) -> int | Decimal:
    """Counters stay int; `-0` keeps its sign and a very long number its digits, both of which int would refuse or lose."""
    return Decimal(digits) if len(digits) > _WHOLE_DIGITS or digits == "-0" else int(digits)


def _refused(word: str) -> None:
    raise ValueError(f"{word} is no JSON number")


def loads(text: str) -> Any:  # noqa: ANN401 - JSON may be anything
    """Read JSON without losing a digit: fractions become Decimal, whole numbers int. Raises ValueError."""
    return json.loads(text, parse_float=Decimal, parse_int=_whole, parse_constant=_refused, object_pairs_hook=_once)
