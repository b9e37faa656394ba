"""Records as rows: RFC 4180, the analyser's digits, a guard on text alone, and a description a program can check.

Judges: Python's own csv module (RFC 4180, Common Format and MIME Type for CSV Files, from memory), and a reader of the
description made here (W3C Recommendation "Metadata Vocabulary for Tabular Data", 2015, from memory).
"""

from __future__ import annotations

import csv as judge
import io
import json
import re
from datetime import datetime
from decimal import Decimal
from typing import Any, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.encodings import columns, csv
from capture.record import numbers, text
from capture.record.breath_test import BreathTest
from capture.record.event import AnalyserEvent
from capture.record.examples import examples
from capture.record.reading import BreathReading
from drivers.contract import GASES

RECORDS = {name: (name.partition("-")[0], text.write(record)) for name, record in examples().items()}
DELIVERY = (912, "caa3a430-2222-4333-8444-555555555555")


def cells(kind: str, record: str) -> dict[str, str]:
    """The cells of a row, by column, as an independent reader sees them."""
    data = csv.header(kind) + csv.row(kind, record, DELIVERY)
    (row,) = judge.DictReader(io.StringIO(data.decode(), newline=""), strict=True)
    assert None not in row
    return row


def changed(name: str, **given: Any) -> str:
    """The text of a golden record with other values at its top."""
    record = numbers.loads(RECORDS[name][1])
    assert set(given) <= set(record)
    return numbers.dumps(record | given)


@pytest.mark.parametrize("name", RECORDS)
def test_a_row_has_a_cell_for_every_column_and_says_what_the_record_says(name: str) -> None:
    kind, record = RECORDS[name]
    row = cells(kind, record)
    whole = numbers.loads(record)

    assert list(row) == [column.name for column in csv.columns(kind)]
    assert (row["delivery"], row["epoch"]) == ("912", DELIVERY[1])
    assert (row["id"], row["revision"], row["status"]) == (whole["id"], str(whole["revision"]), whole["status"])
    time = "opened_at" if kind == "test" else "received_at"
    assert row[time] == whole[time]
    assert row["seq"] == str(whole["source"]["seq"])


@pytest.mark.parametrize("name", [name for name, (kind, _) in RECORDS.items() if kind == "reading"])
def test_every_gas_keeps_its_digits_unit_comparator_and_state(name: str) -> None:
    record = RECORDS[name][1]
    row = cells("reading", record)
    raw = json.loads(record, parse_float=str, parse_int=str)  # digits as they stand in the text
    for gas in ("oxygen", *GASES):
        said = raw["oxygen"] if gas == "oxygen" else raw["gases"].get(gas, {})
        for column, part in ((gas, "value"), *((f"{gas}_{part}", part) for part in ("unit", "comparator", "state"))):
            assert row[column] == (said.get(part) or ""), column


def test_lines_end_as_rfc_4180_says_and_what_needs_quotes_has_them() -> None:
    record = changed("event-fault", words='said "E4",\r\nthen nothing')

    line = csv.row("event", record, DELIVERY)

    assert line.endswith(b"\r\n")
    assert b'"said ""E4"",\r\nthen nothing"' in line
    assert cells("event", record)["words"] == 'said "E4",\r\nthen nothing'


@pytest.mark.parametrize("number", ["14.60", "0.00000010", "-5", "10", "100000000000000000000.0", "-0.0"])
def test_a_number_is_never_rewritten_and_never_guarded(number: str) -> None:
    record = RECORDS["reading-breath"][1].replace('"value":37,', f'"value":{number},')
    assert number in record

    assert cells("reading", record)["hydrogen"] == number


@pytest.mark.parametrize("first", ["=", "+", "-", "@", "\t", "\r", "\n", "\0"])
def test_text_that_a_spreadsheet_would_run_gets_an_apostrophe(first: str) -> None:
    """The characters are those that OWASP's page on CSV injection names (from memory), and LF and NUL."""
    assert cells("event", changed("event-fault", words=f"{first}HYPERLINK(1)"))["words"] == f"'{first}HYPERLINK(1)"


@given(st.one_of(st.none(), st.text(), st.text(alphabet="=+-@'\t\r\n\0\",a")))
@settings(max_examples=200, deadline=None)
def test_any_text_comes_back_as_it_was_and_null_stays_null(said: str | None) -> None:
    sample = numbers.loads(RECORDS["reading-breath"][1])["sample"] | {"analyser_number": said}
    try:
        record = changed("reading-breath", sample=sample)
        record.encode()
    except UnicodeEncodeError:
        return  # half a surrogate pair: no record holds one
    data = csv.header("reading") + csv.row("reading", record, DELIVERY)

    head, row = csv.rows(data)

    assert csv.unguarded(dict(zip(head, row, strict=True))["number"]) == said


def test_a_gas_the_record_does_not_have_and_one_without_a_value_are_told_apart_by_the_state() -> None:
    row = cells("reading", RECORDS["reading-not-measurable"][1])

    assert (row["methane"], row["methane_state"]) == ("", "not-measurable")
    assert (row["carbon_dioxide"], row["carbon_dioxide_state"]) == ("", "")


def test_a_gas_without_columns_is_named() -> None:
    gases = numbers.loads(RECORDS["reading-breath"][1])["gases"]

    row = cells("reading", changed("reading-breath", gases=gases | {"ethane": gases["hydrogen"]}))

    assert row["further_gases"] == "ethane"


def test_the_gases_of_the_register_have_columns() -> None:
    assert columns.GASES == GASES
    assert {f"{gas}_state" for gas in GASES} <= {column.name for column in columns.READING}


def test_columns_never_go_or_move() -> None:
    """Pinned: whoever adds one adds it here, at the end."""
    quantities = [f"{gas}{part}" for gas in ("oxygen", *GASES) for part in ("", "_unit", "_comparator", "_state")]
    record = ["id", "revision", "status", "purpose", "change", "change_reason"]
    where = ["site", "bench", "analyser", "analyser_serial_number"]
    source = ["integrity", "journal", "seq"]
    test = ["breath_test", "breath_test_label", "subject", "substrate", "role", "nominal_min", "since_substrate_min"]
    times = ["received_at", "measured_at", "measured_from", "collected_at", "collected_from", "analyser_clock"]
    ends = ["further_gases", "flags", "sample_quality", *source]
    replaced = ["replaces_id", "replaces_revision"]
    reading = [
        *record,
        *times,
        *where,
        "number",
        "kind",
        *test,
        "attempt",
        *quantities,
        *ends,
        "point",
        "measurement",
        *replaced,
    ]
    event = [
        *record,
        "received_at",
        "happened_at",
        "happened_from",
        *where,
        "name",
        "about",
        "words",
        "detail",
        *source,
    ]

    assert [column.name for column in csv.columns("reading", delivered=False)] == reading
    assert [column.name for column in csv.columns("event", delivered=False)] == event
    assert [column.name for column in csv.columns("event")][:2] == ["delivery", "epoch"]


def test_columns_of_tests_never_go_or_move_either() -> None:
    """Pinned, as above."""
    record = ["id", "revision", "status", "purpose", "change", "change_reason"]
    opened = ["opened_at", "opened_by", "revised_at", "site", "bench", "label"]
    whose = ["subject", "subject_system", "order", "order_system", "person", "protocol", "protocol_version"]
    dose = [f"dose_{part}" for part in ("amount", "unit", "volume_ml", "started", "finished", "taken")]
    ends = ["counting", "outcome", "outcome_reason", "reviewed_at", "reviewed_by"]
    whole = ["points", "dose", "preparation", "symptoms", "notes", "journal", "seq"]

    assert [column.name for column in csv.columns("test", delivered=False)] == [
        *record,
        *opened,
        *whose,
        "substrate",
        *dose,
        "minute_zero",
        "minute_zero_from",
        *ends,
        *whole,
    ]


def test_nothing_of_a_test_is_without_a_column_but_what_its_json_alone_says() -> None:
    """Every name of the record has a column of its name or of names that begin with it."""
    record = numbers.loads(RECORDS["test-final"][1])
    names = {column.name for column in csv.columns("test", delivered=False)}
    bare = {name for name in record if not any(each == name or each.startswith(f"{name}_") for each in names)}

    assert bare == {"format", "producer", "source", "reviewed", "cautions"} - {"reviewed"}


@pytest.mark.parametrize("kind", ["reading", "event", "test"])
def test_the_column_of_a_status_names_every_status_of_that_record(kind: str) -> None:
    record = {
        "reading": BreathReading.model_fields,
        "event": AnalyserEvent.model_fields,
        "test": BreathTest.model_fields,
    }
    meaning = next(column.meaning for column in csv.columns(kind) if column.name == "status")

    assert meaning.rstrip(".").split(", ") == list(get_args(record[kind]["status"].annotation))


def test_no_comparator_is_not_said_to_be_an_equals_sign() -> None:
    """As in FORMAT.md: above the range, an analyser may give no end of it, and nothing compares with nothing."""
    row = cells("reading", RECORDS["reading-above-range"][1])
    meaning = next(column.meaning for column in csv.columns("reading") if column.name == "hydrogen_comparator")

    assert (row["hydrogen_state"], row["hydrogen"], row["hydrogen_comparator"]) == ("above", "", "")
    assert meaning.endswith("null: equal or unknown.")


def test_a_tests_row_has_the_lists_whole_and_names_the_readings_that_count() -> None:
    record = numbers.loads(RECORDS["test-final"][1])
    row = cells("test", RECORDS["test-final"][1])

    assert numbers.loads(row["points"]) == record["points"]
    assert numbers.loads(row["symptoms"]) == record["symptoms"]
    assert row["counting"].split() == [each["counts"]["reading"] for each in record["points"] if each["counts"]]
    assert row["minute_zero"] == record["minute_zero"]["at"]
    assert cells("test", RECORDS["test-registered"][1])["dose"] == ""


def test_the_same_text_gives_the_same_bytes() -> None:
    for kind, record in RECORDS.values():
        assert csv.row(kind, record, DELIVERY) == csv.row(kind, record, DELIVERY)


@pytest.mark.parametrize("kind", ["reading", "event", "test"])
@pytest.mark.parametrize("delivered", [True, False])
def test_the_description_is_true_of_every_cell(kind: str, *, delivered: bool) -> None:
    described = json.loads(csv.metadata(kind, "2026-11-24.csv", delivered=delivered))
    rows = [csv.row(one, record, DELIVERY if delivered else None) for one, record in RECORDS.values() if one == kind]
    data = csv.header(kind, delivered=delivered) + b"".join(rows)

    assert wrong_with(described, "2026-11-24.csv", data) == []


@pytest.mark.parametrize(
    ("column", "cell", "words"),
    [
        ("revision", "one", "revision: 'one' is no integer"),
        ("hydrogen", "1e3", "hydrogen: '1e3' is no decimal"),
        ("received_at", "24/11/2026", "received_at: '24/11/2026' is no dateTime"),
        ("id", "", "id: is required"),
    ],
)
def test_the_judge_of_descriptions_sees_what_is_wrong(column: str, cell: str, words: str) -> None:
    described = json.loads(csv.metadata("reading", "x.csv"))
    head, row = csv.rows(csv.header("reading") + csv.row("reading", RECORDS["reading-breath"][1], DELIVERY))
    broken = dict(zip(head, row, strict=True)) | {column: cell}
    held = io.StringIO(newline="")
    judge.writer(held).writerows([head, list(broken.values())])

    assert words in wrong_with(described, "x.csv", held.getvalue().encode())


@pytest.mark.parametrize("content", [b"\xff", b'"open', b'a,"b"c\r\n'])
def test_what_is_no_such_table_is_said(content: bytes) -> None:
    with pytest.raises(ValueError, match=r".+"):
        csv.rows(content)


def wrong_with(described: dict[str, Any], name: str, data: bytes) -> list[str]:
    """Hold a table against its description, as far as this kind of table goes; what is wrong, in words."""
    wrong = [] if "http://www.w3.org/ns/csvw" in described["@context"] else ["no context of CSV on the Web"]
    wrong += [] if described["url"] == name else [f"describes {described['url']}"]
    dialect, schema = described["dialect"], described["tableSchema"]
    whole = data.decode(dialect["encoding"])
    assert whole.endswith(dialect["lineTerminators"][0])
    reader = judge.reader(
        io.StringIO(whole, newline=""),
        delimiter=dialect["delimiter"],
        quotechar=dialect["quoteChar"],
        doublequote=dialect["doubleQuote"],
        strict=True,
    )
    head, *rows = list(reader) if dialect["header"] else [[], *reader]
    wrong += [] if head == [column["titles"] for column in schema["columns"]] else ["another header"]
    names = [column["name"] for column in schema["columns"]]
    wrong += [f"primary key {key} is no column" for key in schema["primaryKey"] if key not in names]
    for row in rows:
        for column, cell in zip(schema["columns"], row, strict=True):
            if cell == column["null"]:
                wrong += [f"{column['name']}: is required"] if column["required"] else []
            elif not _fits(column["datatype"], cell):
                kind = column["datatype"] if isinstance(column["datatype"], str) else column["datatype"]["base"]
                wrong.append(f"{column['name']}: {cell!r} is no {kind}")
    return wrong


def _fits(datatype: Any, cell: str) -> bool:
    if isinstance(datatype, dict):
        assert datatype == {"base": "dateTime", "format": "yyyy-MM-ddTHH:mm:ss.SSSX"}
        if not re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", cell):
            return False
        return datetime.fromisoformat(cell).utcoffset() is not None
    if datatype == "integer":
        return re.fullmatch(r"-?\d+", cell) is not None
    if datatype == "decimal":
        return re.fullmatch(r"-?\d+(\.\d+)?", cell) is not None and Decimal(cell).is_finite()
    return bool(datatype == "string")
