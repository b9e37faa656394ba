"""One measured value as a record carries it, and the way from the driver's to the record's.

Rules:
- The value is the analyser's own digits. State and value never contradict each other: `ok` has a value; `below` and
  `above` have one where the end of the range is known; every other state has none. Unreadable is never 0.
- Units are written as the analyser (or its sheet) wrote them; the UCUM code stands beside. An unknown unit has none.
- `of` never raises: a driver that contradicts itself gives a quantity that is `invalid` and says so.
"""

from decimal import Decimal
from typing import Annotated, Any, Final, Literal, Self

from pydantic import ConfigDict, ValidationError, model_validator

from capture.record.base import Bytes, Exact, Part, open_list, told
from drivers import contract

UnitFrom = Annotated[Literal["sheet", "frame", "operator"], open_list("sheet", "frame", "operator")]

_WRITTEN: Final = {
    # parts of a whole (volume fractions of a gas)
    "ppm": "[ppm]",
    "PPM": "[ppm]",
    "ppmv": "[ppm]",
    "ppb": "[ppb]",
    "PPB": "[ppb]",
    "ppbv": "[ppb]",
    "%": "%",
    "vol%": "%",
    "Vol%": "%",
    "vol.%": "%",
    "% vol": "%",
    "%vol": "%",
    "umol/mol": "umol/mol",
    "µmol/mol": "umol/mol",
    "nmol/mol": "nmol/mol",
    "mg/m3": "mg/m3",
    "ug/m3": "ug/m3",
    # pressure, temperature, time, volume and flow: what an analyser says beside its gases
    "kPa": "kPa",
    "hPa": "hPa",
    "mbar": "mbar",
    "mmHg": "mm[Hg]",
    "cmH2O": "cm[H2O]",
    "degC": "Cel",
    "°C": "Cel",
    "s": "s",
    "sec": "s",
    "min": "min",
    "h": "h",
    "mL": "mL",
    "ml": "mL",
    "L": "L",
    "mL/s": "mL/s",
    "ml/s": "mL/s",
    "mL/min": "mL/min",
    "ml/min": "mL/min",
    "L/min": "L/min",
    "l/min": "L/min",
    "V": "V",
    "mV": "mV",
}
UCUM: Final = _WRITTEN | {code: code for code in _WRITTEN.values()}
"""Unit as written, or the code itself -> UCUM code (case sensitive), https://ucum.org. What is not here has no code: nothing
is guessed."""

REASONS: Final[dict[str, str | None]] = {
    "ok": None,
    "below": "below the range of the analyser",
    "above": "above the range of the analyser",
    "not-measurable": "the analyser could not measure it",
    "not-measured": "the analyser did not measure it",
    "not-received": "its part of the message did not arrive",
    "invalid": "the field could not be read as a number",
}
NO_OXYGEN: Final = "the analyser's format carries no oxygen"

_CARRYING = ("ok", "below", "above")
_COMPARATORS: Final[dict[str, tuple[str | None, ...]]] = {
    "below": (None, "<", "<="),
    "above": (None, ">", ">="),
}


def _contradiction(state: str, comparator: str | None, *, valued: bool) -> str | None:
    """What is wrong with a state, a comparator and a value (or none) side by side; None if they agree."""
    if state == "ok" and not valued:
        return "the state is ok but there is no value"
    if valued and state not in _CARRYING:
        return f"there is a value although the state is {state}"
    if comparator not in _COMPARATORS.get(state, (None,)):
        return f"the comparator {comparator} does not fit the state {state}"
    if comparator is not None and not valued:
        return "there is a comparator without a value"
    return None


_NOTHING_SAID: Final = ("not-measurable", "not-measured", "not-received", "invalid")


def _value_follows_state(node: dict[str, Any]) -> None:
    """The published schema, too, refuses a value beside a state that has none."""
    rules = (({"const": "ok"}, {"type": "number"}), ({"enum": list(_NOTHING_SAID)}, {"type": "null"}))
    node["allOf"] = [
        {"if": {"properties": {"state": state}}, "then": {"properties": {"value": value}}} for state, value in rules
    ]


class Quantity(Part):
    """One measured value with its unit, its state, and the bytes that say so."""

    model_config = ConfigDict(json_schema_extra=_value_follows_state)

    value: Exact | None = told(
        "The analyser's own digits (14.60 stays 14.60). Null unless `state` is `ok`, `below` or `above`; may be null "
        "in the last two. With `below` or `above` it is the end of the range, not what was measured."
    )
    unit: str | None = told("The unit as the frame or the driver sheet writes it.")
    ucum: str | None = told("The UCUM code of `unit`; null where our table has none.")
    unit_from: UnitFrom | None = told("Who says so: the driver `sheet`, the `frame` itself, or a person.")
    comparator: contract.Comparator | None = told("How the true value lies to `value`; null means equal or unknown.")
    state: contract.State = told("Whether there is a value, and if not, why.")
    reason: str | None = told("Why the state is not `ok`, in words for people; null if it is. Not for programs.")
    text: str | None = told("The field exactly as sent; null where nothing was sent.")
    basis: Annotated[contract.Basis, open_list("measured", "corrected-by-analyser", "unknown")] = told(
        "Whether the analyser has corrected the value for room air or dead space."
    )
    moisture: contract.Moisture = told("Whether the value is a fraction of the wet or of the dried gas.")
    spans: tuple[Bytes, ...] = told("Which bytes of the stream say it, as `[start, end]`, half open.", unit="byte")

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        wrong = _contradiction(self.state, self.comparator, valued=self.value is not None)
        if wrong:
            raise ValueError(wrong)
        return self


def spans_of(spans: tuple[contract.Span, ...]) -> tuple[tuple[int, int], ...]:
    """A driver's spans as a record writes them."""
    return tuple((span.start, span.end) for span in spans)


def clean(text: str) -> str:
    """The text, with what UTF-8 cannot carry (half a surrogate pair) written as an escape: a record is always UTF-8."""
    return text if text.isascii() else text.encode("utf-8", "backslashreplace").decode("utf-8")


def of(given: contract.Quantity) -> Quantity:
    """The record's quantity from the driver's. Never raises; what contradicts itself becomes `invalid`, without a value."""
    try:
        return _built(given, given.value, given.comparator, given.state, REASONS[given.state])
    except ValidationError as wrong:
        words = wrong.errors(include_url=False)[0]["msg"].removeprefix("Value error, ")
        return _built(given, None, None, "invalid", f"the driver contradicts itself: {words}")


def _built(
    given: contract.Quantity,
    value: Decimal | None,
    comparator: contract.Comparator | None,
    state: contract.State,
    reason: str | None,
) -> Quantity:
    return Quantity(
        value=value,
        unit=clean(given.unit),
        ucum=UCUM.get(given.unit),
        unit_from=given.unit_from,
        comparator=comparator,
        state=state,
        reason=reason,
        text=clean(given.text),
        basis=given.basis,
        moisture=given.moisture,
        spans=spans_of(given.spans),
    )


def not_measured(reason: str) -> Quantity:
    """A quantity of which the format says nothing at all."""
    return Quantity(
        value=None,
        unit=None,
        ucum=None,
        unit_from=None,
        comparator=None,
        state="not-measured",
        reason=reason,
        text=None,
        basis="unknown",
        moisture="unknown",
        spans=(),
    )
