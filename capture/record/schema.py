"""The published JSON Schemas (2020-12): made of the models, committed beside them, the same text for everybody.

What a schema cannot say is in FORMAT.md: that digits are meaning, and which lists are open. Open lists are strings with
`examples`; closed lists are `enum`. The schemas allow unknown names, because a consumer has to ignore them.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from capture.record.base import Part

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


@dataclass(frozen=True, slots=True)
class Published:
    """One published record: its name, the major version of its format, and what it is in a few words."""

    name: str
    major: int
    about: str

    @property
    def id(self) -> str:
        """The stable `$id`; a name, not an address: nothing is fetched from it."""
        return f"urn:tidewire:schema:{self.name}:{self.major}"

    @property
    def file(self) -> str:
        """The name of the committed file."""
        return f"{self.name}-{self.major}.json"


RECORDS: Final = {
    record.name: record
    for record in (
        Published("breath-reading", 1, "one result of one analyser"),
        Published("analyser-event", 1, "something that happened to an analyser or its port"),
        Published("breath-test", 1, "one patient's series, from opening to review"),
    )
}


def committed(name: str) -> str:
    """The text of the committed schema of that record. Raises KeyError for an unknown name."""
    file = RECORDS[name].file
    return (resources.files("capture.record") / "schemas" / file).read_text(encoding="utf-8")


def described(name: str) -> dict[str, Any]:
    """The schema as the models give it, units included: what FORMAT.md's tables are made of."""
    raw: dict[str, Any] = _model(name).model_json_schema(mode="serialization", by_alias=True)
    return raw


def build(name: str) -> dict[str, Any]:
    """The schema to publish, made of the models as they are now."""
    return document(RECORDS[name], described(name))


def document(published: Published, described: dict[str, Any]) -> dict[str, Any]:
    """A whole schema document of what a model says of itself."""
    head = {"$schema": DIALECT, "$id": published.id, "title": f"{published.name}/{published.major}"}
    return {**head, **_published(described)}


def _model(name: str) -> type[Part]:
    from capture.record.breath_test import BreathTest  # noqa: PLC0415 - listing the schemas must not cost the models
    from capture.record.event import AnalyserEvent  # noqa: PLC0415 - as above
    from capture.record.reading import BreathReading  # noqa: PLC0415 - as above

    models: dict[str, type[Part]] = {
        "breath-reading": BreathReading,
        "analyser-event": AnalyserEvent,
        "breath-test": BreathTest,
    }
    return models[name]


def _published(node: Any, *, names: bool = False) -> Any:  # noqa: ANN401 - a JSON Schema nests anything
    """Without titles made of field names, our own unit key, and the ban on unknown names.

    `names`: the keys of this node are names of fields or definitions, not keywords.
    """
    if isinstance(node, list):
        return [_published(each) for each in node]
    if not isinstance(node, dict):
        return node
    kept = {}
    for key, value in node.items():
        if not names and (key in ("title", "x-unit") or (key == "additionalProperties" and value is False)):
            continue
        kept[key] = _published(value, names=not names and key in ("properties", "$defs"))
    return kept
