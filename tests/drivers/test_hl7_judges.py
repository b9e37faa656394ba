"""What `hl7-oru` reads, against what two public HL7 libraries read from the same bytes: python-hl7 and hl7apy.

Neither library is used by a driver. Each whole message of the recordings that ours reads as a result is taken apart by
both, and fields are looked up by HL7's own numbers. What libraries let pass (a preliminary value, another unit, a number
with an escape) is ours to refuse, and is compared by its text.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import hl7
import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.parser import parse_message
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import registry
from drivers.contract import Event, Quantity, Result
from drivers.hearing import heard_bytes, play
from drivers.recording import decode
from drivers.sheet.rows import Cell, RowMarks, Rows

if TYPE_CHECKING:
    from collections.abc import Iterator

    from drivers.contract import Item

FOLDER = registry.SHEETS / "hl7-oru" / "recordings"
CODES = {"H2": "hydrogen", "CH4": "methane", "O2": "oxygen"}
COMPARED = {"<": "below", "<=": "below", ">": "above", ">=": "above", "": "ok", "=": "ok"}


def messages() -> Iterator[tuple[str, Item, str]]:
    """Each item that means something, with the text of its message between VT and FS."""
    driver = registry.builtin()["hl7-oru"]
    for path in sorted(FOLDER.glob("*.txt")):
        entries = decode(path.read_bytes()).entries
        data = heard_bytes(entries)
        for item in play(driver, entries):
            if isinstance(item, Result | Event):
                (span,) = item.spans
                framed = data[span.start : span.end]
                assert framed[:1] == b"\x0b"
                assert framed[-3:] == b"\r\x1c\r"
                yield f"{path.stem} {span.start}", item, framed[1:-2].decode("ascii")


MESSAGES = list(messages())
each_message = pytest.mark.parametrize(("item", "text"), [each[1:] for each in MESSAGES], ids=[x[0] for x in MESSAGES])


def quantities(item: Result) -> dict[str, Quantity]:
    assert item.oxygen is not None
    return {**item.gases, "oxygen": item.oxygen}


def agrees(ours: Quantity, comparator: str, number: str, unit: str, status: str) -> None:
    """Our quantity, and what a library found in OBX-5, OBX-6 and OBX-11."""
    if status == "X" and not number:
        assert (ours.value, ours.state) == (None, "not-measurable")
    elif ours.state == "invalid":
        assert ours.value is None
        assert status != "F" or unit != ours.unit or not number.replace(".", "", 1).isdigit()
    else:
        assert ours.value is not None
        assert (format(ours.value, "f"), ours.unit, status) == (format(Decimal(number), "f"), unit, "F")
        assert ours.state == COMPARED[comparator]
        assert (ours.comparator or "") == comparator.replace("=", "" if comparator == "=" else "=")


@each_message
def test_python_hl7_reads_the_same_values_units_and_comparators(item: Item, text: str) -> None:
    message = hl7.parse(text)
    assert str(message.extract_field("MSH", 1, 9, 1, 1)) == "ORU"
    observed = {
        str(segment(3)[0][0][0] if isinstance(segment(3)[0], list) else segment(3)): segment
        for segment in message.segments("OBX")
    }
    if isinstance(item, Event):
        words = {"WARM": "warming-up", "READY": "ready", "FAULT": "fault"}
        assert words[str(observed["STATE"](5))] == item.name
        assert message.unescape(str(observed["TEXT"](5))) == item.detail.get("text", "")
        return
    assert isinstance(item, Result)
    assert item.number is not None
    assert item.number.text == str(message.segment("MSH")(10))
    for code, name in CODES.items():
        segment, ours = observed[code], quantities(item)[name]
        value = segment(5)[0] if isinstance(segment(5)[0], list) else [[str(segment(5))]]
        parts = [str(part[0]) for part in value]
        comparator, number = (parts[0], parts[1]) if len(parts) == 2 else ("", parts[0])
        assert ours.text == (str(segment(5)) if "\\" not in str(segment(5)) else ours.text)
        agrees(ours, comparator, number, str(segment(6)), str(segment(11)))
    subjects = [str(row(3)) for row in message.segments("PID")] if "\rPID|" in text else []
    assert [message.unescape(each.partition("^")[0]).replace("\\", r"\x5C") for each in subjects] == (
        [] if item.subject is None else [item.subject.text]
    )


@each_message
def test_hl7apy_finds_the_same_structure_and_values(item: Item, text: str) -> None:
    message = parse_message(text, validation_level=VALIDATION_LEVEL.TOLERANT, find_groups=False)
    assert (message.msh.msh_9.msh_9_1.value, message.msh.msh_12.value) == ("ORU", "2.5.1")
    found = {}
    for row in message.obx:
        parts = row.obx_5.to_er7().split("^")
        comparator, number = (parts[0], parts[1]) if len(parts) == 2 else ("", parts[0])
        found[row.obx_3.to_er7().partition("^")[0]] = (comparator, number, row.obx_6.to_er7(), row.obx_11.to_er7())
    if isinstance(item, Result):
        assert item.number is not None
        assert message.msh.msh_10.value == item.number.text
        assert set(found) == set(CODES)
        for code, name in CODES.items():
            agrees(quantities(item)[name], *found[code])
    else:
        assert set(found) == {"STATE", "TEXT"}


def test_recordings_hold_every_kind_of_value() -> None:
    results = [item for _, item, _ in MESSAGES if isinstance(item, Result)]
    states = {each.state for item in results for each in quantities(item).values()}
    comparators = {each.comparator for item in results for each in quantities(item).values()}
    assert states == {"ok", "below", "above", "not-measurable", "invalid"}
    assert comparators == {None, "<", "<=", ">", ">="}
    assert any(item.subject for item in results)
    assert any(isinstance(item, Event) for _, item, _ in MESSAGES)


TEXTS = st.text("AB1.<- ", min_size=0, max_size=4)
FIELDS = st.lists(st.lists(TEXTS, min_size=1, max_size=3).map("^".join), min_size=1, max_size=6)
MARKS = RowMarks(b"\r", b"|", b"^", b"MSH")


@given(
    header=FIELDS,
    segments=st.lists(FIELDS, max_size=4),
    places=st.lists(st.tuples(st.integers(2, 8), st.integers(0, 4)), min_size=1, max_size=6),
)
@settings(max_examples=150, deadline=None)
def test_any_field_and_component_is_where_python_hl7_finds_it(
    header: list[str], segments: list[list[str]], places: list[tuple[int, int]]
) -> None:
    rows = [["MSH", r"^~\&", *header], *([f"X{n:02d}", *fields] for n, fields in enumerate(segments))]
    text = "".join("|".join(row) + "\r" for row in (*rows, ["ZZZ", "the library strips blanks at the very end"]))
    message = hl7.parse(text)
    cells = tuple(Cell(row[0].encode(), (), n, component) for row in rows for n, component in dict.fromkeys(places))
    found = Rows(MARKS, cells, frozenset(cells)).cut(text.encode("ascii"))
    assert isinstance(found, dict)
    assert set(found) == set(cells)
    for cell in cells:
        if (cell.row, cell.field) == (b"MSH", 2):
            continue  # the delimiters themselves, which the library keeps whole
        segment = message.segment(cell.row.decode())
        field = str(segment(cell.field)) if cell.field < len(segment) else ""
        components = field.split("^") if cell.component else [field]
        wanted = components[cell.component - 1] if cell.component <= len(components) else ""
        begin, end = found[cell]
        assert text[begin:end] == (wanted if cell.component else field)
