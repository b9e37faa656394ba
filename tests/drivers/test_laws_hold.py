"""Every law, on every recording of every built-in driver: a new driver is under the laws as soon as it is there."""

from __future__ import annotations

import tomllib
from functools import cache
from random import Random
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import laws, registry
from drivers.contract import Result
from drivers.hearing import heard_bytes, play, recut
from drivers.laws import Damage, Disturbance
from drivers.prove import prove
from drivers.recording import decode
from tests.drivers.flipped import FLIPPED

if TYPE_CHECKING:
    from drivers.contract import Driver
    from drivers.recording import Entry

RECORDINGS = sorted((path.parent.parent.name, path.stem) for path in registry.SHEETS.glob("*/recordings/*.txt"))


unmeasured = pytest.mark.no_cover  # hundreds of thousands of frames: measured, they would take four times as long


@cache
def driver_named(name: str) -> Driver:
    return registry.builtin()[name]


@cache
def entries_of(name: str, recording: str) -> tuple[Entry, ...]:
    return tuple(decode((registry.SHEETS / name / "recordings" / f"{recording}.txt").read_bytes()).entries)


def most_held(name: str) -> int:
    """The longest group and the longest frame behind it."""
    group = tomllib.loads(driver_named(name).source).get("group", {"max": 0})
    return longest_of(name) + int(group["max"])


def longest_of(name: str) -> int:
    frame = tomllib.loads(driver_named(name).source)["frame"]
    longest = frame["length"] if frame["by"] == "fixed" else frame["max"]
    assert isinstance(longest, int)
    return longest


each_recording = pytest.mark.parametrize(("name", "recording"), RECORDINGS)
each_driver = pytest.mark.parametrize("name", list(registry.builtin()))


@each_driver
def test_each_driver_has_a_recording_of_everything_an_analyser_may_do(name: str) -> None:
    there = {recording for driver, recording in RECORDINGS if driver == name}
    assert there >= {
        "warming-up",
        "room-air",
        "breath",
        "above-range",
        "below-range",
        "not-measurable",
        "fault",
        "unplugged",
        "session",
    }


@unmeasured
@each_recording
@given(places=st.lists(st.floats(0, 1), max_size=12))
@settings(max_examples=20, deadline=None)
def test_items_do_not_depend_on_how_the_bytes_were_cut(name: str, recording: str, places: list[float]) -> None:
    entries = entries_of(name, recording)
    size = len(heard_bytes(entries))
    laws.cut_independent(driver_named(name), entries, [int(place * size) for place in places])


@unmeasured
@each_recording
def test_at_any_time_bytes_fed_are_bytes_in_items_and_bytes_held(name: str, recording: str) -> None:
    entries = entries_of(name, recording)
    most = most_held(name)
    laws.covered(driver_named(name), recut(entries, None), most)
    laws.covered(driver_named(name), recut(entries, []), most)


@unmeasured
@each_recording
def test_at_a_rest_point_a_fresh_decoder_changes_nothing(name: str, recording: str) -> None:
    laws.restful(driver_named(name), entries_of(name, recording))


@each_recording
def test_every_byte_of_every_item_has_its_part(name: str, recording: str) -> None:
    laws.laid_out(driver_named(name), entries_of(name, recording))


@each_recording
def test_what_is_no_number_is_no_value(name: str, recording: str) -> None:
    laws.numerate(driver_named(name), entries_of(name, recording))


@unmeasured
@each_recording
def test_after_a_disturbance_frames_are_read_as_ever(name: str, recording: str) -> None:
    entries = entries_of(name, recording)
    for disturbance in laws.disturbances(heard_bytes(entries), Random(f"{name} {recording}")):
        laws.resynchronising(driver_named(name), entries, disturbance)


@each_recording
def test_of_a_result_of_several_frames_a_lost_one_costs_only_what_stands_in_it(name: str, recording: str) -> None:
    laws.costing_no_more(driver_named(name), entries_of(name, recording))


@each_recording
def test_frames_of_two_results_are_never_mixed(name: str, recording: str) -> None:
    for seed in range(20):
        laws.unmixed(driver_named(name), entries_of(name, recording), Random(seed))


@unmeasured
@each_driver
@given(data=st.binary(max_size=400), size=st.integers(1, 40))
@settings(max_examples=60, deadline=None)
def test_any_bytes_give_items(name: str, data: bytes, size: int) -> None:
    laws.tolerant(driver_named(name), data, size)


@unmeasured
@each_driver
@given(
    pieces=st.lists(
        st.sampled_from(
            [
                *(b"RES;", b"0412;", b"\r\n", b"\x02", b"\x03", b"MSG:RESULT\r\n", b"*", b"5F", b":", b"x" * 90),
                *(b"#RES,", b"#", b"$0047;RES;", b"$00", b"$", b"MSG=RES/", b"NO=", b"x" * 40),
                *(b"0412 ", b"0413 ", b"H2 37\r\n", b"H2 38\r\n", b"O2 ", b"16.4\r\n", b".\r\n", b"STATE READY\r\n"),
            ]
        ),
        max_size=30,
    ),
    size=st.integers(1, 40),
)
@settings(max_examples=60, deadline=None)
def test_any_pieces_of_frames_give_items(name: str, pieces: list[bytes], size: int) -> None:
    laws.tolerant(driver_named(name), b"".join(pieces), size)


@each_driver
def test_an_endless_frame_is_refused_at_the_longest_length_of_the_sheet(name: str) -> None:
    entries = [entry for driver, recording in RECORDINGS if driver == name for entry in entries_of(name, recording)]
    driver, longest = driver_named(name), longest_of(name)
    if 'by = "counted"' in driver.source:  # a frame that says its length is never endless
        longest = max(len(frame) for frame in laws.frames_of(driver, entries))
        assert longest < longest_of(name)
    assert laws.bounded(driver, entries) == longest


@unmeasured
@each_driver
def test_flipped_bits_are_refused_by_a_check_and_counted_where_there_is_none(name: str) -> None:
    driver = driver_named(name)
    total = Damage(0, 0, 0)
    for each, recording in RECORDINGS:
        if each == name:
            total += laws.checked(driver, entries_of(name, recording))
    assert FLIPPED.get(name) == total, f'count them another way, then write "{name}": {total} into flipped.py'


def test_results_without_a_check_say_so() -> None:
    for name, integrity in (
        ("delimited-line", "none"),
        ("label-block", "checksum"),
        ("gap-frame", "none"),
        ("fixed-frame", "crc"),
        ("counted-frame", "crc"),
    ):
        items = play(driver_named(name), entries_of(name, "breath"))
        assert {each.integrity for each in items if isinstance(each, Result)} == {integrity}


@unmeasured
@each_driver
def test_all_laws_can_be_asked_at_once(name: str) -> None:
    recordings = {recording: entries_of(name, recording) for recording in ("breath", "unplugged")}
    proof = prove(driver_named(name), recordings, seed=7)
    assert [(each.law, each.where, each.detail) for each in proof.broken] == []
    assert proof.whole
    assert proof.damage.tried > 0


def test_a_disturbance_is_any_replacement() -> None:
    laws.resynchronising(
        driver_named("delimited-line"), entries_of("delimited-line", "breath"), Disturbance(3, 50, b"\r\n\r")
    )
