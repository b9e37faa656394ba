"""The published schemas, FORMAT.md and the golden records: current, and the judge agrees with our own reader."""

import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from jsonschema import Draft202012Validator

from capture.record import numbers, schema, tables, text
from capture.record.examples import examples

ROOM = Path(schema.__file__).parent
GOLDEN = Path(__file__).parent / "golden"
CASES = examples()
JUDGES = {
    name: Draft202012Validator(schema.build(name), format_checker=Draft202012Validator.FORMAT_CHECKER)
    for name in schema.RECORDS
}


def judge(record: dict[str, Any]) -> list[str]:
    name = record["format"].partition("/")[0]
    return [error.message for error in JUDGES[name].iter_errors(record)]


@pytest.mark.parametrize("name", schema.RECORDS)
def test_the_committed_schema_is_what_the_models_say_now(name: str) -> None:
    made = numbers.pretty(schema.build(name)) + "\n"
    assert schema.committed(name) == made, "stale: run python -m capture.record.tables"
    Draft202012Validator.check_schema(json.loads(made))


def test_format_md_is_what_the_models_say_now() -> None:
    page = (ROOM / "FORMAT.md").read_text("utf-8")
    assert tables.rendered(page) == page, "stale: run python -m capture.record.tables"
    assert len(tables.MARKED.findall(page)) == page.count("<!-- made:") == page.count("<!-- end -->") == 13


def test_every_link_in_format_md_leads_to_a_heading_and_every_file_it_names_is_there() -> None:
    page = (ROOM / "FORMAT.md").read_text("utf-8")
    headings = {
        re.sub(r"[^a-z0-9 -]", "", line.lower()).replace(" ", "-")
        for line in re.findall(r"^#+ (.*)$", page, re.MULTILINE)
    }
    assert set(re.findall(r"\]\(#([^)]+)\)", page)) <= headings
    assert all((ROOM / "schemas" / record.file).is_file() for record in schema.RECORDS.values())


def test_the_example_in_format_md_is_a_golden_record_and_valid() -> None:
    page = (ROOM / "FORMAT.md").read_text("utf-8")
    blocks = re.findall(r"```json\n(.*?)\n```", page, re.DOTALL)
    shown = ("reading-below-range", "event-fault", "event-gas-check-passed", "test-attempt-repeated")
    assert [numbers.dumps(numbers.loads(block)) for block in blocks] == [
        (GOLDEN / f"{case}.json").read_text("utf-8").rstrip("\n") for case in shown
    ]
    assert not [wrong for block in blocks for wrong in judge(numbers.loads(block))]


def enums(node: dict[str, Any]) -> set[str]:
    """The names of the fields of an object that are closed lists."""
    choices = {name: field.get("anyOf", [field]) for name, field in node["properties"].items()}
    return {name for name, kinds in choices.items() if any("enum" in kind for kind in kinds)}


def test_closed_lists_of_format_md_are_exactly_the_enums_of_the_schemas() -> None:
    built = [schema.build(name) for name in schema.RECORDS]
    closed = {name for node in built for part in (node, *node["$defs"].values()) for name in enums(part)}
    page = (ROOM / "FORMAT.md").read_text("utf-8")
    sentence = re.search(r"Closed lists \(`enum` in the schema\)[^:]*: ([^.]*)\.", page)
    assert sentence
    assert set(re.findall(r"`([a-z_]+)`", sentence[1])) == closed


@pytest.mark.parametrize("case", CASES)
def test_a_golden_record_is_what_the_program_writes_now_and_valid(case: str) -> None:
    line = (GOLDEN / f"{case}.json").read_text("utf-8")
    assert line == text.write(CASES[case]) + "\n", "changed: the commit has to say why"
    assert judge(numbers.loads(line)) == []
    assert judge(json.loads(line)) == [], "a consumer that reads with binary fractions must be able to validate too"


def test_there_is_no_golden_record_without_a_case() -> None:
    assert {path.stem for path in GOLDEN.iterdir()} == set(CASES)


def test_a_consumer_may_meet_unknown_names_and_unknown_words_of_open_lists() -> None:
    record = numbers.loads(text.write(CASES["reading-breath"]))
    record |= {"from_the_future": 1, "kind": "quality-gas", "integrity": "sealed"}
    record["gases"]["ethane"] = record["gases"]["hydrogen"] | {"also": "new"}
    record["flags"][0] |= {"code": "new-flag", "about": "moon"}
    assert judge(record) == []


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"status": "finished"}, "'finished' is not one of"),
        ({"purpose": None}, "None is not one of"),
        ({"received_at": "2026-11-24 09:31"}, "does not match"),
        ({"received_at": "2026-13-24T09:31:00.000Z"}, "is not a 'date-time'"),
        ({"id": "42"}, "is not a 'uuid'"),
        ({"revision": 0}, "0 is less than the minimum of 1"),
        ({"oxygen": None}, "None is not of type 'object'"),
    ],
)
def test_the_schema_refuses_what_our_reader_refuses(change: dict[str, Any], words: str) -> None:
    record = numbers.loads(text.write(CASES["reading-breath"])) | change
    assert any(words in message for message in judge(record))
    with pytest.raises(ValueError, match=r"."):
        text.read(numbers.dumps(record))


@pytest.mark.parametrize(("state", "value"), [("ok", None), ("not-measurable", 0), ("invalid", 1), ("not-received", 2)])
def test_the_schema_refuses_a_value_that_contradicts_its_state(state: str, value: int | None) -> None:
    record = numbers.loads(text.write(CASES["reading-breath"]))
    record["gases"]["hydrogen"] |= {"state": state, "value": value}
    assert judge(record)


def test_the_schema_refuses_a_missing_name_at_any_level() -> None:
    for record in map(numbers.loads, map(text.write, CASES.values())):
        for name in [name for name in record if name != "format"]:
            assert any(
                "is a required property" in wrong for wrong in judge({k: v for k, v in record.items() if k != name})
            )
        short = {k: v for k, v in record["source"].items() if k != "raw"}
        assert judge(record | {"source": short}) == ["'raw' is a required property"]


def test_a_schema_names_no_host_but_the_dialects() -> None:
    for name, record in schema.RECORDS.items():
        built = schema.build(name)
        assert built["$id"] == f"urn:tidewire:schema:{name}:1" == record.id
        assert numbers.dumps(built).count("://") == 1
    assert isinstance(jsonschema.Draft202012Validator.META_SCHEMA, dict)


def test_rewriting_gives_the_committed_files_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "schemas").mkdir()
    page = (ROOM / "FORMAT.md").read_text("utf-8")
    bare = tables.MARKED.sub(r"\1\3", page)
    assert bare != page
    (tmp_path / "FORMAT.md").write_text(bare, "utf-8")
    monkeypatch.setattr(tables, "HERE", tmp_path)
    tables.rewrite()
    for path in ["FORMAT.md", *(f"schemas/{record.file}" for record in schema.RECORDS.values())]:
        assert (tmp_path / path).read_bytes() == (ROOM / path).read_bytes()


def test_an_unknown_marker_is_an_error_not_a_hole() -> None:
    with pytest.raises(KeyError):
        tables.rendered("<!-- made: nothing -->\n<!-- end -->")
