"""The commands at the bench: help, times as people write them, what is refused before anybody is asked, charts in text."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import click
import pytest

from capture.commands import acts, chart, commission, due, main_group
from capture.commands.common import Bench, load
from capture.commands.test import COMMANDS
from capture.errors import UsageError

if TYPE_CHECKING:
    from tests.commands.conftest import Desk


@pytest.fixture
def bench(desk: Desk) -> Bench:
    return Bench(load(desk.config))


def test_every_command_of_a_test_helps_with_an_example() -> None:
    group = main_group.get_command(None, "test")  # type: ignore[arg-type]  # our group needs no context
    assert isinstance(group, click.Group)
    for name in COMMANDS:
        command = group.get_command(None, name)  # type: ignore[arg-type]  # as above
        assert command is not None
        assert command.help
        assert command.epilog is not None
        assert command.epilog.startswith(f"Example: tidewire test {name}")
    assert group.get_command(None, "undo") is None  # type: ignore[arg-type]  # as above


def test_the_help_of_a_group_names_its_commands_and_its_own_example(desk: Desk) -> None:
    shown = desk.type("test", "--help").output

    assert all(f"  {name} " in shown for name in COMMANDS)
    assert "Example: tidewire test open" in shown


@pytest.mark.parametrize(
    "words",
    [
        ("test", "dose", "K7"),
        ("test", "reserve", "K7-60"),
        ("test", "open", "lactose", "P-1", "--by", "AB", "--acknowledged"),
        ("test", "desk"),
        ("note", "h2-a", "ready"),
        ("enter", "h2-a", "--hydrogen", "3", "3", "--reason", "r"),
        ("reconcile", "settle", "test/00000000", "--reason", "r"),
    ],
)
def test_an_act_while_the_service_is_down_exits_1_with_the_line_that_starts_it(
    desk: Desk, words: tuple[str, ...]
) -> None:
    result = desk.type(*words)

    assert result.exit_code == 1
    assert f"start it: tidewire run --config {desk.config}" in str(result.exception)


@pytest.mark.parametrize(
    ("words", "cure"),
    [
        (("test", "reserve"), "tidewire test reserve K7-60"),
        (("test", "reserve", "K7-60", "--cancel", "--on", "h2-a"), "takes an analyser alone"),
        (("test", "container", "K7-60", "--reason", "r"), "goes with --discard"),
        (("test", "container", "BAG-1", "--discard", "--label", "x"), "leave the rest out"),
        (("test", "dose", "K7", "--started", "2026-11-24"), "write a time as HH:MM, such as 10:30"),
        (("test", "dose", "K7", "--started", "25:00"), "--started 25:00: write a time as HH:MM, such as 10:30"),
        (("note", "h2-a", "ready", "--at", "9:61"), "--at 9:61: write a time as HH:MM, such as 10:30"),
        (("test", "amend", "K7", "--answer", "fasted"), "write NAME=TEXT"),
        (("note", "h2-a", "calibration-passed", "--detail", "lot"), "write NAME=TEXT"),
        (("enter", "h2-a", "--reason", "r"), "--hydrogen 37 37"),
        (("enter", "h2-a", "--oxygen", "16", "16", "--reason", "r"), "no gas was entered"),
        (("commission", "h2-a"), "--shown READING GAS VALUE"),
        (("reconcile", "--day", "2026-11-24", "settle", "x", "--reason", "r"), "behind settle"),
    ],
)
def test_what_makes_no_sense_is_refused_with_the_cure_before_anybody_is_asked(
    desk: Desk, words: tuple[str, ...], cure: str
) -> None:
    result = desk.type(*words)

    assert result.exit_code == 2
    assert cure in str(result.exception)


def test_a_time_is_todays_local_one_or_a_whole_one_or_now(bench: Bench) -> None:
    today = datetime.now(bench.zone).date()

    said = acts.when(bench, "--at", "9:05")

    assert said is not None
    local = datetime.fromisoformat(said).astimezone(bench.zone)
    assert (local.date(), f"{local:%H:%M}") == (today, "09:05")
    assert acts.when(bench, "--at", "2026-11-24T10:30") == "2026-11-24T09:30:00.000Z"
    assert acts.when(bench, "--at", "2026-11-24 10:30:05+00:00") == "2026-11-24T10:30:05.000Z"
    assert acts.when(bench, "--at", None) is None
    now = acts.when(bench, "--at", "now")
    assert now is not None
    assert abs(datetime.fromisoformat(now) - datetime.now(UTC)) < timedelta(minutes=1)


def test_an_hour_that_the_clocks_leave_out_is_refused(bench: Bench) -> None:
    with pytest.raises(UsageError, match="put forward"):
        acts.when(bench, "--at", "2026-03-29T02:30")


def test_times_in_the_services_sentences_are_told_as_local_ones(bench: Bench) -> None:
    words = acts.local(bench, "h2-a is reserved (by AB, 2026-11-24T09:30:00.120Z): wait")

    assert words == "h2-a is reserved (by AB, 2026-11-24 10:30:00 CET): wait"


def test_a_stopped_bench_lists_its_protocols_and_no_tests(desk: Desk, morning: Desk) -> None:
    listed = json.loads(desk.type("test", "protocols", "--json").output)

    assert {"lactose", "free"} <= {one["name"] for one in listed}
    assert "0 tests" in morning.type("test", "list").output
    assert json.loads(morning.type("test", "list", "--json").output) == {"tests": [], "more": False}
    assert morning.type("test", "show", "K7").exit_code == 1


def test_a_sites_protocol_that_cannot_be_used_is_said_and_exits_1(desk: Desk) -> None:
    folder = desk.folder / "protocols"
    folder.mkdir()
    (folder / "mine.toml").write_text('name = "mine"\n', encoding="utf-8")
    text = desk.config.read_text(encoding="utf-8")
    desk.config.write_text(text.replace("[bench]\n", f'[bench]\nprotocols = "{folder}"\n'), encoding="utf-8")

    result = desk.type("test", "protocols")

    assert result.exit_code == 1
    assert "Cannot be used" in result.output


# Text that stands for a picture -------------------------------------------------------------------------------------------


def quantity(value: str | None, *, comparator: str | None = None, state: str = "ok") -> dict[str, Any]:
    return {"value": value, "unit": "ppm", "comparator": comparator, "state": state}


def series(*values: dict[str, Any] | None) -> tuple[dict[str, Any], dict[str, Any]]:
    """A test with one sample a value, and its readings by id."""
    points, readings = [], {}
    for place, value in enumerate(values):
        name = f"r{place}"
        attempts = [{"reading": name, "since_substrate_min": f"{place * 30}.5"}]
        counts = None if value is None else {"reading": name}
        points.append({"label": f"K7-{place * 30}", "attempts": attempts, "counts": counts})
        readings[name] = {"id": name, "gases": {"hydrogen": value} if value else {}}
    return {"points": points, "reviewed": None}, readings


def test_a_bar_is_as_long_as_its_value_and_a_part_of_a_step_is_a_whole_sign() -> None:
    lines = list(chart.chart(*series(quantity("3"), quantity("80"), quantity("81.0"))))

    assert lines[0] == "Hydrogen, ppm (one = is 5 ppm, or a part of it)"
    assert [line.count("=") for line in lines[1:]] == [1, 16, 17]
    assert lines[3].split()[:3] == ["K7-60", "60.5", "min"]
    assert "81.0" in lines[3]


def test_what_is_no_number_has_words_and_no_bar_and_what_does_not_count_is_a_gap() -> None:
    lines = list(
        chart.chart(
            *series(
                quantity("12"),
                quantity("2", comparator="<", state="below"),
                quantity(None, state="above"),
                quantity(None, state="not-measurable"),
                None,
            )
        )
    )

    assert [line.count("=") for line in lines[1:]] == [12, 0, 0, 0, 0]
    assert [line.split("min")[-1].strip() for line in lines[2:5]] == ["<2", "above range", "not measurable"]
    assert lines[5].endswith("gap")


@pytest.mark.parametrize(("reviewed", "said"), [(None, "-"), ({"by": "AB"}, "gap")])
def test_a_sample_that_is_still_to_come_is_no_gap_until_the_test_is_closed(reviewed: Any, said: str) -> None:
    test, readings = series(quantity("12"))
    test["points"].append({"label": "K7-30", "attempts": [], "counts": None})

    lines = list(chart.chart(test | {"reviewed": reviewed}, readings))

    assert lines[2].split() == ["K7-30", said]


def test_without_anything_that_counts_there_is_no_chart() -> None:
    assert list(chart.chart(*series(None, None))) == []


def test_a_value_of_nothing_has_no_bar_and_the_highest_always_fits() -> None:
    lines = list(chart.chart(*series(quantity("0"), quantity("19999"))))

    assert lines[1].count("=") == 0
    assert 0 < lines[2].count("=") <= chart.WIDTH


def test_only_readings_that_can_prove_something_are_asked_about_before_production() -> None:
    def row(name: str, **more: Any) -> dict[str, Any]:
        one = {
            "id": name,
            "origin": "analyser",
            "status": "preliminary",
            "purpose": "training",
            "analyser": {"id": "h2-a", "serial_number": "2"},
            "driver": {"sha256": "s2"},
        }
        return {"text": json.dumps(one | more)}

    rows = [
        row("of the instrument before", analyser={"id": "h2-a", "serial_number": "1"}),
        row("read with another sheet", driver={"sha256": "s1"}),
        row("of another analyser", analyser={"id": "h2-b", "serial_number": "2"}),
        row("typed in", origin="operator"),
        row("taken back"),
        row("good"),
        row("taken back", status="entered-in-error"),
        row("the last"),
    ]

    class Asked:
        def ask(self, _name: str, **given: Any) -> Any:
            return {"next": 0} if "skip_to_last" in given else {"records": rows, "next": None}

    found = commission.latest(Asked(), "h2-a")  # type: ignore[arg-type]  # a bench of one answer
    assert [one["id"] for one in found] == ["good", "the last"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("h2-a",), "no reading of h2-a yet: run the service and measure (tidewire run --config "),
        (("nope",), "no analyser nope: known is h2-a"),
        (("nope", "--shown", "37", "hydrogen", "37"), "no analyser nope: known is h2-a"),
    ],
)
def test_what_cannot_be_commissioned_is_said_before_anything_is_asked(
    morning: Desk, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], said: str
) -> None:
    monkeypatch.setattr(commission, "sys", SimpleNamespace(stdin=SimpleNamespace(isatty=lambda: True)))
    monkeypatch.setattr(click, "prompt", lambda *_a, **_k: pytest.fail("asked"))

    result = morning.type("commission", *words)  # its readings are of other analysers

    assert result.exit_code == (1 if words == ("h2-a",) else 2)
    assert said in str(result.exception)


def test_who_is_due_is_told_in_words_with_what_is_late_and_the_next_of_each(bench: Bench) -> None:
    now = datetime.now(UTC)

    def sample(label: str, minutes: int, tolerance: int | None) -> dict[str, Any]:
        at = now + timedelta(minutes=minutes, seconds=5)
        late = None if tolerance is None else (at + timedelta(minutes=tolerance)).isoformat()
        return {"label": label, "at": at.isoformat(), "late_at": late}

    tests = [
        {"subject": {"value": "P-1"}, "due": [sample("K7-30", -40, 5), sample("K7-60", -2, 5), sample("K7-90", 28, 5)]},
        {
            "subject": {"value": "P-2"},
            "due": [sample("A1-30", -7, None), sample("A1-60", 3, None), sample("A1-90", 33, None)],
        },
    ]

    rows = [(row[0], row[3]) for row in due.samples(bench, tests)]

    assert rows == [
        ("K7-30", "40 min ago, late"),
        ("A1-30", "7 min ago"),
        ("K7-60", "2 min ago"),
        ("A1-60", "in 3 min"),
        ("K7-90", "in 28 min"),
    ]
