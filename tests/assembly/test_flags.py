"""Flags: each set when its table says so, and only then; and what they say of the sample together."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from itertools import product
from typing import TYPE_CHECKING, get_args
from uuid import UUID

import pytest

from capture.assembly import flags
from capture.record.moment import AnalyserState, Calibrated, Commissioned
from capture.record.parts import Flag
from capture.record.words import FLAGS, About, Severity
from drivers.contract import Clock, Integrity, Kind, Span

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capture.record.moment import Purpose

    from .conftest import Make, Table


FAILED = Calibrated(datetime(2026, 11, 24, 7, 2, tzinfo=UTC), "failed", UUID(int=3), "0007")
PASSED = replace(FAILED, result="passed")
SHEET = "5" * 64
COMMISSIONED = Commissioned(FAILED.at, "ab", SHEET)
OF_A_RESERVATION = (  # tests/assembly/test_limits.py, tests of the reservation
    "oxygen-high",
    "carbon-dioxide-low",
    "start-unclear",
    "too-soon",
    "identity-conflict",
    "possible-duplicate",
)


def codes(found: Iterable[Flag]) -> list[str]:
    return [flag.code for flag in found]


def test_a_checked_breath_with_every_value_has_no_flag(table: Table, make: type[Make]) -> None:
    assert table.reading(make.result()).flags == ()


@pytest.mark.parametrize(
    ("frame", "line", "flagged"),
    [("none", "none", True), ("none", "parity", False), ("checksum", "none", False), ("crc", "parity", False)],
)
def test_no_check_is_set_where_neither_frame_nor_line_would_show_damage(
    table: Table, make: type[Make], frame: Integrity, line: Integrity, flagged: bool
) -> None:
    table.moment = replace(table.moment, integrity=line)
    made = table.reading(make.result(integrity=frame))
    assert codes(made.flags) == (["no-check"] if flagged else [])
    assert made.integrity == (line if frame == "none" else frame)


@pytest.mark.parametrize("kind", get_args(Kind))
def test_oxygen_missing_is_set_for_breath_and_for_what_may_be_breath(
    table: Table, make: type[Make], kind: Kind
) -> None:
    made = table.reading(make.result(oxygen=None, kind=kind))
    assert codes(made.flags) == (["oxygen-missing"] if kind in ("breath", "unknown") else [])
    assert made.oxygen.state == "not-measured"


def test_oxygen_missing_says_why_and_is_not_set_where_its_range_end_is_reached(table: Table, make: type[Make]) -> None:
    lost = table.reading(make.result(oxygen=make.q(None, "not-received", "", unit="%")))
    assert codes(lost.flags) == ["oxygen-missing", "unreadable"]
    assert lost.flags[0].text == "No oxygen level: its part of the message did not arrive."
    assert codes(table.reading(make.result(oxygen=make.q(None, "above", "OVR", unit="%"))).flags) == ["above-range"]


def test_a_range_flag_names_the_gas_and_carries_the_end_of_the_range_in_its_own_digits(
    table: Table, make: type[Make]
) -> None:
    gases = {
        "hydrogen": make.q("500.0", "above", ">500.0", c=">"),
        "hydrogen_sulfide": make.q(None, "below", "LOW"),
        "methane": make.q("2", "below", "<2", c="<"),
    }
    made = table.reading(make.result(gases=gases))
    assert codes(made.flags) == ["above-range", "below-range", "below-range"]
    above, open_end, below = made.flags
    assert above.text == "Hydrogen is above the range of the analyser (500.0 ppm)."
    assert above.limit is not None
    assert above.limit.as_tuple() == Decimal("500.0").as_tuple()
    assert (above.limit_from, above.value) == ("analyser", None)
    assert open_end.text == "Hydrogen sulfide is below the range of the analyser (its end is not known)."
    assert (open_end.limit, open_end.limit_from) == (None, None)
    assert (below.limit, below.severity, below.about) == (Decimal(2), "note", "analyser")


def test_two_range_ends_that_are_equal_keep_their_own_digits(table: Table, make: type[Make]) -> None:
    for end in ("2", "2.0", "2.00"):
        made = table.reading(make.result(gases={"methane": make.q(end, "below", f"<{end}", c="<")}))
        assert str(made.flags[0].limit) == end
        assert f"({end} ppm)" in made.flags[0].text


def test_not_measurable_is_a_doubt_beside_another_value_and_a_failure_alone(table: Table, make: type[Make]) -> None:
    one = table.reading(make.result(gases={"hydrogen": make.q("37"), "methane": make.q(None, "not-measurable")}))
    assert [(flag.code, flag.severity, flag.text) for flag in one.flags] == [
        ("not-measurable", "doubt", "The analyser could not measure methane (it sent '----').")
    ]
    none = table.reading(make.result(gases={"hydrogen": make.q(None, "not-measurable", "")}))
    assert [(flag.code, flag.severity, flag.text) for flag in none.flags] == [
        ("not-measurable", "fail", "The analyser could not measure hydrogen.")
    ]


@pytest.mark.parametrize("state", ["invalid", "not-received"])
def test_a_field_that_makes_no_number_is_flagged_not_guessed(table: Table, make: type[Make], state: str) -> None:
    made = table.reading(make.result(gases={"hydrogen": make.q(None, state, "3x")}))  # type: ignore[arg-type]  # a State
    assert codes(made.flags) == ["unreadable"]
    assert made.gases["hydrogen"].value is None


@pytest.mark.parametrize(("synchronised", "flagged"), [(True, False), (None, False), (False, True)])
def test_clock_unsure_is_set_where_the_machines_clock_is_known_to_be_left_alone(
    table: Table, make: type[Make], synchronised: bool | None, flagged: bool
) -> None:
    table.moment = replace(table.moment, heard=replace(table.moment.heard, synchronised=synchronised))
    made = table.reading(make.result())
    assert codes(made.flags) == (["clock-unsure"] if flagged else [])
    assert made.clock.synchronised is synchronised


def local(text: str) -> datetime | None:

    return datetime.fromisoformat(text) if text else None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2026-10-25T02:30:00", "The analyser's clock shows an hour that happens twice when the clocks go back."),
        ("2026-03-29T02:30:00", "The analyser's clock shows an hour that is skipped when the clocks go forward."),
        ("", "The analyser's clock could not be read."),
    ],
)
def test_clock_unsure_is_set_where_the_analysers_clock_gives_no_single_instant(
    table: Table, make: type[Make], text: str, words: str
) -> None:
    made = table.reading(make.result(clock=Clock("as sent", local(text), (Span(777, 793),))))
    assert [(flag.code, flag.text) for flag in made.flags] == [("clock-unsure", words)]
    assert made.analyser_clock is not None
    assert made.analyser_clock.model_dump() == {"text": "as sent", "at": None, "zone_from": None, "offset_s": None}


def test_both_causes_of_an_unsure_clock_make_one_flag(table: Table, make: type[Make]) -> None:
    table.moment = replace(
        table.moment,
        heard=replace(table.moment.heard, synchronised=False),
        bench=replace(table.moment.bench, timezone="Mars/Olympus"),
    )
    made = table.reading(make.result(clock=Clock("as sent", local("2026-11-24T10:31:00"), ())))
    (only,) = made.flags
    assert only.text == (
        "This machine's clock was not kept right by a time source; "
        "the configured time zone of the analyser's clock is not known to this machine."
    )


def test_flags_come_in_the_order_of_the_table_and_as_the_table_says(table: Table, make: type[Make]) -> None:
    table.moment = replace(
        table.moment,
        heard=replace(table.moment.heard, synchronised=False),
        stream=replace(table.moment.stream, purpose="production"),
        analyser=AnalyserState(warm=False, calibration=FAILED, gas_check=FAILED),
    )
    gases = {
        "methane": make.q(None, "invalid", "?"),
        "hydrogen": make.q(None, "not-measurable"),
        "nitric_oxide": make.q("1", "below", "<1", c="<"),
        "carbon_dioxide": make.q(None, "above", "OVR"),
    }
    made = table.reading(make.result(gases=gases, oxygen=None, integrity="none"))
    assert codes(made.flags) == [code for code in FLAGS if code not in OF_A_RESERVATION]
    assert all(
        (flag.about, flag.severity) == (FLAGS[flag.code].about, FLAGS[flag.code].severity) for flag in made.flags
    )


def flag(about: About, severity: Severity) -> Flag:
    return Flag(code="x", about=about, severity=severity, text="", value=None, limit=None, limit_from=None)


ALL = [flag(about, severity) for about, severity in product(get_args(About), get_args(Severity))]


@pytest.mark.parametrize("found", [[], *([one] for one in ALL), ALL])
def test_nothing_is_judged_while_no_limit_applies(found: list[Flag]) -> None:
    assert flags.sample_quality(found, limit_applies=False) == "not-judged"


@pytest.mark.parametrize(
    ("severities", "quality"),
    [
        ([], "satisfactory"),
        (["note", "note"], "satisfactory"),
        (["note", "doubt"], "doubtful"),
        (["fail", "doubt", "note"], "unsatisfactory"),
    ],
)
@pytest.mark.parametrize("about", ["sample", "analyser"])
def test_the_worst_flag_about_sample_or_analyser_decides(
    about: About, severities: list[Severity], quality: str
) -> None:
    found = [flag(about, severity) for severity in severities]
    assert flags.sample_quality(found, limit_applies=True) == quality
    assert flags.sample_quality(reversed(found), limit_applies=True) == quality


def test_a_flag_about_the_record_never_lowers_the_sample() -> None:
    found = [flag("record", severity) for severity in get_args(Severity)]
    assert flags.sample_quality(found, limit_applies=True) == "satisfactory"


# --- the analyser ---------------------------------------------------------------------------------------------------

STATES: list[tuple[AnalyserState, list[str]]] = [
    (AnalyserState(), []),
    (AnalyserState(warm=True, calibration=PASSED, gas_check=PASSED), []),
    (AnalyserState(warm=False), ["not-warm"]),
    (AnalyserState(calibration=FAILED, gas_check=PASSED), ["calibration-failed"]),
    (AnalyserState(calibration=PASSED, gas_check=FAILED), ["gas-check-failed"]),
    (AnalyserState(None, None, False, FAILED, FAILED), ["not-warm", "calibration-failed", "gas-check-failed"]),
]


@pytest.mark.parametrize(("state", "flagged"), STATES)
def test_what_is_known_against_the_analyser_is_flagged_and_what_is_unknown_is_not(
    table: Table, make: type[Make], state: AnalyserState, flagged: list[str]
) -> None:
    table.moment = replace(table.moment, analyser=state)
    assert codes(table.reading(make.result()).flags) == flagged
    assert codes(flags.of_analyser(state, SHEET, "training")) == flagged


@pytest.mark.parametrize(
    ("purpose", "state", "sha256", "flagged"),
    [
        ("training", AnalyserState(), SHEET, False),
        ("production", AnalyserState(), SHEET, True),
        ("production", AnalyserState(commissioned=COMMISSIONED), SHEET, False),
        ("production", AnalyserState(commissioned=COMMISSIONED), "6" * 64, True),
        ("production", AnalyserState(commissioned=COMMISSIONED, serial_number="0008"), SHEET, True),
    ],
)
def test_only_production_readings_of_an_analyser_that_nobody_commissioned_say_so(
    purpose: Purpose, state: AnalyserState, sha256: str, flagged: bool
) -> None:
    found = flags.of_analyser(state, sha256, purpose)
    assert codes(found) == (["not-commissioned"] if flagged else [])
    assert all(flag.about == "record" for flag in found)


def test_a_failed_calibration_spoils_the_sample_and_a_missing_commissioning_does_not() -> None:
    failed = flags.of_analyser(AnalyserState(calibration=FAILED), SHEET, "training")
    assert flags.sample_quality(failed, limit_applies=True) == "unsatisfactory"
    missing = flags.of_analyser(AnalyserState(), SHEET, "production")
    assert flags.sample_quality(missing, limit_applies=True) == "satisfactory"
