"""What every table of a sheet is made of: its keys, each with what it means and how it is written.

Rules of the room:
- Unknown keys are refused with the nearest known one named.
- Nothing is converted: a number written as a string is an error, not a number.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, model_validator
from pydantic_core import PydanticCustomError

from drivers.tomltext import nearest


def _ascii(text: str) -> str:
    if not (text.isascii() and 1 <= len(text) <= 32):
        raise ValueError('write 1 to 32 ASCII characters, e.g. ";" or "\\r\\n"')
    return text


Ascii = Annotated[str, AfterValidator(_ascii)]
"""A mark or a text that is looked for in the bytes."""
_FORMULAS = {
    "h2": "hydrogen",
    "ch4": "methane",
    "o2": "oxygen",
    "co2": "carbon_dioxide",
    "h2s": "hydrogen_sulfide",
    "no": "nitric_oxide",
    "co": "carbon_monoxide",
}
"""What a key that is written as a formula means, where it means anything."""
Name = Annotated[str, StringConstraints(min_length=1, max_length=32)]


def key(default: Any, meaning: str, example: str, **limits: Any) -> Any:  # noqa: ANN401 - the signature of pydantic's own Field
    """A key with what it means and how it is written: errors and the table of keys use both. `...`: it must be there."""
    return Field(default, description=meaning, examples=[example], **limits)


class Table(BaseModel):
    """A table of a sheet: its keys are known, or it is refused."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    @model_validator(mode="before")
    @classmethod
    def _known(cls, data: Any) -> Any:  # noqa: ANN401 - whatever the text said
        if isinstance(data, dict):
            known = [each.alias or name for name, each in cls.model_fields.items()]
            for key in data:
                if key not in known:
                    near = _FORMULAS.get(key.casefold())
                    near = near if near in known else nearest(key, known)
                    cure = f'did you mean "{near}"?' if near else f"known here: {', '.join(known)}"
                    raise PydanticCustomError("unknown_key", "unknown key; {cure}", {"key": key, "cure": cure})
        return data
