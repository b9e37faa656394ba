"""Every family of formats from the analyser to the record, on bad lines, through one real service.

All analysers run at once, a module's worth of tests looks at what came of it. A new built-in driver is in it as soon as
it is registered, and cannot be registered without an encoder.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest

from drivers import laws
from drivers.contract import Event, Noise, Refused, Result
from drivers.hearing import play
from drivers.recording import decode
from drivers.registry import builtin
from simulators.formats import FORMATS
from simulators.recording import recordings
from simulators.session import build
from tests.endtoend.families import Heard, judge, most_unseen, run

if TYPE_CHECKING:
    from drivers.recording import Entry
    from simulators.session import Session

pytestmark = pytest.mark.timeout(120)  # all of them at once, on a machine that may have other things to do
FAMILIES = sorted(set(builtin()) & set(FORMATS))


@pytest.fixture(scope="module")
def heard(tmp_path_factory: pytest.TempPathFactory) -> Heard:
    return run(tmp_path_factory.mktemp("families"), FAMILIES)


def checks(name: str) -> bool:
    """Whether a format carries a check of its own; parity is the line's, and a pseudo-terminal has none."""
    return "\nsum = " in builtin()[name].source


def some_results(session: Session) -> list[Entry]:
    """Two results as the analyser sends them, each with silence behind it."""
    whole = [truth for truth in session.truth if truth.says == "result" and truth.certain and truth.copies == 1]
    entries: list[Entry] = []
    for truth in whole[:2]:
        step = next(step for step in session.steps if truth.message in step.messages)
        entries += laws.alone(step.data)
    return entries


def test_every_built_in_driver_has_a_simulated_analyser_and_every_one_of_those_a_driver() -> None:
    assert set(builtin()) == set(FORMATS)


@pytest.mark.parametrize("name", FAMILIES)
def test_an_analyser_and_its_driver_agree_on_the_line(name: str) -> None:
    assert FORMATS[name].line == str(builtin()[name].serial)


@pytest.mark.parametrize("name", FAMILIES)
def test_a_recording_that_is_simulated_gives_what_was_said(name: str) -> None:
    """Without a wire: the silences that end a message stand in the recording."""
    session = build(name, 3, 2, minutes=60)
    (text,) = recordings(session)
    items = play(builtin()[name], decode(text.encode("ascii")).entries)
    results = [item for item in items if isinstance(item, Result)]
    said = [truth for truth in session.truth if truth.says == "result"]

    assert [item for item in items if isinstance(item, Refused | Noise)] == []
    assert [result.number.text for result in results if result.number] == [truth.number for truth in said]
    assert [result.kind for result in results] == [truth.kind for truth in said]
    assert sum(isinstance(item, Event) for item in items) == sum(truth.says == "state" for truth in session.truth)


@pytest.mark.daemon
def test_the_books_of_all_of_them_balance_to_the_byte(heard: Heard) -> None:
    assert (heard.exit_code, heard.books["balanced"]) == (0, True)
    assert "The books balance." in heard.words
    for name, session in heard.sessions.items():
        openings = [b""]
        for step in session.steps:
            if step.what == "plug":
                openings.append(b"")
            openings[-1] += step.data
        received = [int(one["received"]) for one in heard.books["streams"] if one["analyser"] == name]
        assert received == [len(data) for data in openings]
        assert len(received) > 1, "a cable was pulled in mid-frame"
        assert [one["stream"] for one in heard.books["streams"] if one["analyser"] == name] == heard.streams[name]
    assert heard.sent == sum(len(session.data) for session in heard.sessions.values())


@pytest.mark.daemon
@pytest.mark.parametrize("name", FAMILIES)
def test_what_came_whole_is_one_record_with_every_value_unit_kind_number_and_state_as_said(
    heard: Heard, name: str
) -> None:
    verdict = judge(heard, name)

    assert verdict.wrong == []
    assert verdict.results >= 7
    assert {"cut", "gap", "flip", "drop", "repeat-byte", "unplug"} <= set(verdict.harmed)


@pytest.mark.daemon
@pytest.mark.parametrize("name", [name for name in FAMILIES if checks(name)])
def test_where_the_format_has_a_check_damage_never_gives_another_value(heard: Heard, name: str) -> None:
    verdict = judge(heard, name)

    assert (verdict.unseen, verdict.beside) == ({}, {})
    assert {record["integrity"] for record in heard.readings[name]} <= {"crc", "checksum"}
    assert laws.checked(builtin()[name], some_results(heard.sessions[name])).unseen == 0


@pytest.mark.daemon
@pytest.mark.parametrize("name", [name for name in FAMILIES if not checks(name)])
def test_where_it_has_none_no_more_flipped_bits_give_another_value_than_the_laws_expect(
    heard: Heard, name: str
) -> None:
    verdict = judge(heard, name)
    expected = laws.checked(builtin()[name], some_results(heard.sessions[name]))
    tried = verdict.harmed["flip"]
    beside = most_unseen(tried, expected.unseen_beside, expected.tried)

    print(  # noqa: T201 - counted, and shown beside what was expected (pytest -rP)
        f"{name}: {tried} bits flipped on the line; another value unseen {verdict.unseen['flip']} times, another number,"
        f" clock or kind {verdict.beside['flip']} times; a flipped bit does so in {expected.unseen} and"
        f" {expected.unseen_beside} of {expected.tried}. By other damage: {dict(verdict.unseen)}, {dict(verdict.beside)}"
    )
    assert verdict.unseen["flip"] <= most_unseen(tried, expected.unseen, expected.tried)
    assert verdict.beside["flip"] <= beside
    assert all(
        record["integrity"] == "none" and any(flag["code"] == "no-check" for flag in record["flags"])
        for record in heard.readings[name]
    ), "each says of itself that nothing could be checked"


@pytest.mark.daemon
def test_the_judge_sees_another_value_unit_oxygen_kind_or_number_and_a_record_too_few_or_too_many(heard: Heard) -> None:
    name = "fixed-frame"
    whole = list(heard.readings[name])
    first = whole[0]
    wrong: list[list[Any]] = [whole[1:], [first, *whole]]
    changes: tuple[dict[str, Any], ...] = (
        {"gases": first["gases"] | {"hydrogen": first["gases"]["hydrogen"] | {"value": "999"}}},
        {"gases": first["gases"] | {"methane": first["gases"]["methane"] | {"unit": "ppb"}}},
        {"oxygen": first["oxygen"] | {"value": "0.1"}},
        {"kind": "zero-gas"},
        {"sample": first["sample"] | {"analyser_number": "0001"}},
    )
    wrong += [[first | change, *whole[1:]] for change in changes]
    for readings in wrong:
        verdict = judge(replace(heard, readings={**heard.readings, name: readings}), name)
        assert len(verdict.wrong) == 1
    spans = first["source"] | {"spans": [[int(first["source"]["spans"][0][0]) + 1, first["source"]["spans"][0][1]]]}
    hurt = first | changes[0] | {"source": spans}
    verdict = judge(replace(heard, readings={**heard.readings, name: [hurt, *whole]}), name)
    assert verdict.unseen.total() == 1, "a value of bytes that are no whole message is counted"


def test_so_many_may_differ_by_chance() -> None:
    assert most_unseen(14, 0, 100) == 0
    assert most_unseen(14, 5, 100) == 5
    assert all(fewer <= more for fewer, more in pairwise(most_unseen(14, each, 100) for each in range(60)))
