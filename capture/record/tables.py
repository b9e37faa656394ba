"""The generated parts of FORMAT.md: tables made of the models, examples made of the golden records.

`python -m capture.record.tables` rewrites FORMAT.md between its markers, and the committed schemas.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from capture.record import numbers, schema, text
from capture.record.base import UNIT_KEY
from capture.record.changes import CHANGES
from capture.record.examples import examples
from capture.record.words import DETAILS, EVENTS, FLAGS

if TYPE_CHECKING:
    from collections.abc import Iterator

HERE: Final = Path(__file__).parent
_PLAIN: Final = {
    "date-time": "time",
    "uuid": "UUID",
    "string": "text",
    "boolean": "true or false",
    "integer": "integer",
    "number": "number",
}
MARKED: Final = re.compile(r"(<!-- made: ([a-z0-9/-]+) -->\n).*?(<!-- end -->)", re.DOTALL)


def _nullable(node: dict[str, Any]) -> tuple[list[dict[str, Any]], bool]:
    """The types a field may have beside null, and whether null is one of them."""
    choices = node.get("anyOf", [node])
    kinds = [choice for choice in choices if choice.get("type") != "null"]
    return kinds, len(kinds) < len(choices)


def _type(node: dict[str, Any]) -> str:  # noqa: PLR0911 - one line a JSON Schema type reads best
    if "$ref" in node:
        name = node["$ref"].rpartition("/")[2]
        return f"[{name}](#{name.lower()})"
    if "const" in node:
        return f"`{node['const']}`"
    if "enum" in node:
        return "one of " + ", ".join(f"`{word}`" for word in node["enum"])
    if "examples" in node:
        return "word, open list: " + ", ".join(f"`{word}`" for word in node["examples"])
    if "prefixItems" in node:
        return "`[start, end]`"
    if node["type"] == "array":
        return f"list of {_types(node['items'])}"
    if node["type"] == "object":
        return f"map of name to {_types(node['additionalProperties'])}"
    return _PLAIN[node.get("format", node["type"])]


def _types(node: dict[str, Any]) -> str:
    return " or ".join(_type(kind) for kind in _nullable(node)[0])


def _table(node: dict[str, Any], objects: dict[str, Any]) -> Iterator[str]:
    yield "| Name | Always? | Type | Unit | Meaning |"
    yield "|---|---|---|---|---|"
    for name, field in node["properties"].items():
        # pydantic leaves out a description that repeats the object's own
        meaning = field.get("description") or objects[field["$ref"].rpartition("/")[2]]["description"]
        always = "yes, may be null" if _nullable(field)[1] else "yes"
        yield f"| `{name}` | {always} | {_types(field)} | {field.get(UNIT_KEY, '')} | {meaning} |"


def record_table(name: str) -> str:
    """The table of a record's top-level names."""
    node = schema.described(name)
    return "\n".join(_table(node, node["$defs"]))


def object_tables() -> str:
    """A table for each object inside the records, in alphabetical order."""
    found: dict[str, dict[str, Any]] = {}
    for name in schema.RECORDS:
        found |= schema.described(name)["$defs"]
    blocks = (
        "\n".join([f"#### {name}", found[name]["description"], "", *_table(found[name], found)])
        for name in sorted(found)
    )
    return "\n\n".join(blocks)


def flag_table() -> str:
    """Every flag this version sets."""
    rows = (f"| `{word.code}` | {word.about} | {word.severity} | {word.when} |" for word in FLAGS.values())
    return "\n".join(["| Code | About | Severity | When |", "|---|---|---|---|", *rows])


def event_table() -> str:
    """Every event known today."""
    return _word_table("Name", EVENTS)


def detail_table() -> str:
    """Every name of an event's detail that is not an analyser's own."""
    rows = (f"| `{name}` | {events} | {meaning} |" for name, (events, meaning) in DETAILS.items())
    return "\n".join(["| Name in `detail` | Of | Meaning |", "|---|---|---|", *rows])


def change_table() -> str:
    """Every reason for a further revision known today."""
    return _word_table("Code", CHANGES)


def _word_table(head: str, words: dict[str, str]) -> str:
    rows = (f"| `{word}` | {meaning} |" for word, meaning in words.items())
    return "\n".join([f"| {head} | Meaning |", "|---|---|", *rows])


STORY: Final = (
    "reading-wrong-patient",
    "reading-retracted",
    "reading-rebound",
    "test-reading-taken-away",
    "test-reading-brought",
)
"""The golden records of a reading that was brought to the right patient, in order."""


def story_table() -> str:
    """What is written when a reading was somebody else's."""
    rows = [
        "| `seq` | Record | `id` | `revision` | `status` | `change` | Subject | Place |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for name in STORY:
        record = numbers.loads(text.write(examples()[name]))
        why = record["change"]
        change = f"`{why['code']}`, replaces {_brief(why['replaces'])}" if why else "null"
        whose, where = _whose(record)
        rows.append(
            f"| {record['source']['seq']} | {record['format'].partition('/')[0]} | `{record['id'][:8]}` "
            f"| {record['revision']} | `{record['status']}` | {change} | {whose} | {where} |"
        )
    return "\n".join(rows)


def _brief(replaced: dict[str, Any]) -> str:
    return f"`{replaced['id'][:8]}` revision {replaced['revision']}"


def _whose(record: dict[str, Any]) -> tuple[str, str]:
    """Whose a record is, and where the reading stands in it."""
    if "breath_test" in record:
        place = record["breath_test"]
        return place["subject"]["value"], f"`{place['point']}`"
    bags = [point for point in record["points"] if point["containers"]]
    said = [
        f"`{point['label']}`: `{point['counts']['reading'][:8]}` counts"
        if point["counts"]
        else f"`{point['label']}`: no attempt, none counts"
        for point in bags
    ]
    return record["subject"]["value"], "; ".join(said)


def example(name: str) -> str:
    """A golden record, over many lines."""
    return f"```json\n{numbers.pretty(examples()[name].model_dump())}\n```"


_TABLES: Final = {
    "objects": object_tables,
    "flags": flag_table,
    "events": event_table,
    "details": detail_table,
    "changes": change_table,
    "story": story_table,
}


def rendered(document: str) -> str:
    """FORMAT.md with everything between its markers made anew. Raises KeyError for a marker that means nothing."""

    def made(match: re.Match[str]) -> str:
        what, _, which = match[2].partition("/")
        if what == "table":
            body = record_table(which)
        elif what == "example":
            body = example(which)
        else:
            body = _TABLES[what]()
        return f"{match[1]}{body}\n{match[3]}"

    return MARKED.sub(made, document)


def rewrite() -> None:
    """Write the schemas and the generated parts of FORMAT.md from the models as they are now."""
    for name, record in schema.RECORDS.items():
        (HERE / "schemas" / record.file).write_text(numbers.pretty(schema.build(name)) + "\n", encoding="utf-8")
    path = HERE / "FORMAT.md"
    path.write_text(rendered(path.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    rewrite()
