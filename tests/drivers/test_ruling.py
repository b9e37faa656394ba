"""Which line of the sheet refused a frame, for every reason, whatever the sheet's shape."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import registry
from drivers.contract import Refused, Span
from drivers.hearing import heard_bytes, play
from drivers.recording import Bytes, Mark, decode
from drivers.ruling import Ruling, ruling
from drivers.telling import hear, told

if TYPE_CHECKING:
    from drivers.contract import Driver, Why

RECORDINGS = sorted(
    (path.parent.parent.name, path.stem) for path in registry.SHEETS.glob("*/recordings/*.txt") if path.stem != "breath"
)


def ruled(driver: Driver, frame: bytes) -> Ruling:
    item = play(driver, [Bytes(0, frame), Mark(1, "quiet")])[0]
    assert isinstance(item, Refused)
    return ruling(driver, item, driver.layout(frame, 0))


@pytest.mark.parametrize(
    ("name", "frame", "key", "at"),
    [
        ("fixed-columns", b"R 04\r\n", "message.1.width", None),
        ("fixed-frame", b"#RES,04", "frame.length", 7),
        ("counted-frame", b"$9047;RES;" + b"x" * 60, "frame.max", None),
        ("gap-frame", b"MSG=RES/NO=1/AT=20261124103105/KIND=B/CH4=2/O2=16.4", "message.1.hydrogen", None),
        ("numbered-lines", b"41 H2 1\r\n", "group.digits", None),
        ("counted-frame", b"$00a7;RES;" + b"x" * 60, "frame.count_at", None),
        ("label-block", b"\x02MSG\r\n*5E\x03", "label", None),
        ("key-value", b"msg=state, is=ready, text=*00\r\n", "sum", 26),
    ],
)
def test_the_key_is_that_of_the_rule(name: str, frame: bytes, key: str, at: int | None) -> None:
    found = ruled(registry.find(name), frame)

    assert found.key == key
    assert found.at == (at if at is not None else found.at)


@pytest.mark.parametrize(("name", "recording"), RECORDINGS)
def test_every_refused_frame_of_the_recordings_has_its_line_but_for_damage(name: str, recording: str) -> None:
    driver = registry.builtin()[name]
    entries = decode((registry.SHEETS / name / "recordings" / f"{recording}.txt").read_bytes()).entries
    data = b"".join(each.data for each in entries if isinstance(each, Bytes))
    lines = driver.source.split("\n")
    for item in play(driver, entries):
        if isinstance(item, Refused):
            parts = [p for span in item.spans for p in driver.layout(data[span.start : span.end], span.start)]
            found = ruling(driver, item, parts)
            if item.why == "line-error":
                assert found.line is None
            else:
                assert found.line is not None, item
                assert found.key is not None
                assert lines[found.line - 1].strip(), found


@pytest.mark.parametrize("name", list(registry.builtin()))
@given(
    recording=st.sampled_from(["session", "fault"]),
    edits=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 20), st.binary(max_size=6)), min_size=1, max_size=4),
)
@settings(max_examples=25, deadline=None)
def test_whatever_came_each_refused_frame_has_its_words_and_a_line_that_is_there(
    name: str, recording: str, edits: list[tuple[float, int, bytes]]
) -> None:
    driver = registry.builtin()[name]
    data = heard_bytes(decode((registry.SHEETS / name / "recordings" / f"{recording}.txt").read_bytes()).entries)
    for place, cut, instead in edits:
        at = int(place * len(data))
        data = data[:at] + instead + data[at + cut :]
    lines = driver.source.count("\n") + 1
    for each in hear(driver, [Bytes(0, data), Mark(1, "quiet")]):
        assert told(each.item)
        if isinstance(each.item, Refused):
            parts = [p for span in each.spans for p in driver.layout(data[span.start : span.end], span.start)]
            found = ruling(driver, each.item, parts, each.damaged)
            assert found.line is not None
            assert 1 <= found.line <= lines
            assert found.at is None or each.spans[0].start <= found.at <= each.spans[-1].end


def test_a_result_that_ended_without_any_gas_broke_the_rule_of_its_group_and_no_frame_of_it_did() -> None:
    driver = registry.find("numbered-lines")
    frames = b"0412 K B\r\n0412 .\r\n"

    (item,) = play(driver, [Bytes(0, frames)])

    assert isinstance(item, Refused)
    parts = [part for span in item.spans for part in driver.layout(frames[span.start : span.end], span.start)]
    found = ruling(driver, item, parts)
    assert (item.why, found.key, found.at) == ("unfinished", "group", None)


def test_a_driver_whose_source_is_no_sheet_has_no_line() -> None:
    driver = replace(registry.find("delimited-line"), source="def new(offset): ...")

    found = ruled(driver, b"RES;1\r\n")

    assert (found.line, found.key) == (None, None)


@pytest.mark.parametrize("why", ["bad-checksum", "driver-error"])
def test_a_refusal_that_no_key_of_the_sheet_rules_has_no_line(why: Why) -> None:
    driver = registry.find("delimited-line")  # it has no sum, and no sheet refuses for a reason of a driver's own
    item = Refused((Span(0, 4),), why, "by a driver in Python")

    assert ruling(driver, item, ()) == Ruling(None, None, None)


@pytest.mark.parametrize("why", ["bad-field", "unknown-message"])
def test_where_no_message_was_found_the_refusal_leads_to_the_first(why: Why) -> None:
    driver = registry.find("delimited-line")
    source = driver.source.replace("when = ", "demands = [] #", 1)

    found = ruling(replace(driver, source=source), Refused((Span(0, 4),), why, "of whatever"), ())

    assert found.key == "message.1"
