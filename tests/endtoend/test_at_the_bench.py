"""A technician's morning through the real service: commands, the desk's prompt, a scanner, two people at once."""

from __future__ import annotations

import os
import re
import shlex
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import pytest

from simulators.ptyport import PtyPort
from tests import docs
from tests.endtoend.bench import READY, Bench, at_a_terminal, block, house, until
from tests.endtoend.house import read

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.daemon


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """One service for all: each test opens breath tests of its own, and leaves nothing reserved."""
    place = tmp_path_factory.mktemp("bench")
    with (
        house(place) as there,
        PtyPort(there.link("h2-a")) as h2_a,
        PtyPort(there.link("h2-b")) as h2_b,
        PtyPort(there.link("scanner")) as scanner,
    ):
        there.start()
        there.up()
        made = Bench(there, h2_a, h2_b, scanner)
        made.send(h2_a, block(*READY))
        made.done("note", "h2-b", "ready", "--by", "AB")
        for name in ("h2-a", "h2-b"):
            made.done("note", name, "calibration-passed", "--by", "AB")
        yield made
        assert there.stop() == 0


def point(test: Any, label: str) -> Any:
    (found,) = (each for each in test["points"] if each["label"] == label)
    return found


def nothing_reserved(bench: Bench) -> bool:
    return bool(bench.house.ask("status")["reservations"] == [])


def test_the_readmes_test_at_the_bench_can_be_typed_as_it_stands(bench: Bench, tmp_path: Path) -> None:
    _, _, section = docs.README.read_text(encoding="utf-8").partition("## A test at the bench")
    shown = section.partition("```console\n")[2].partition("```")[0].replace("k7.html", str(tmp_path / "k7.html"))
    for line in shown.splitlines():
        _, *words = shlex.split(line, comments=True)
        bench.done(*words, *(["--acknowledged"] if words[1] == "open" else []))
        if words[1] == "reserve":
            bench.blows(3)
    bench.done("reconcile", "settle", f"container/{bench.test('K7')['id']}/BAG-17", "--reason", "an example")

    assert bench.test("K7")["status"] == "final"
    assert "K7-180" in (tmp_path / "k7.html").read_text(encoding="utf-8")


def test_records_are_held_against_the_display_before_production_begins(bench: Bench) -> None:
    seen = [("31", "4"), ("5", "12"), ("64", "9")]
    for hydrogen, methane in seen:
        bench.shows(int(hydrogen), "15.2", methane)
    bench.shows(50, "20.9", "10", kind="C")
    *ids, gas = (read(line.encode())["id"] for line in bench.done("readings", "--json", "--last", "4").splitlines())
    words = ["commission", "h2-b", "--gas-reading", gas, "--shown", gas, "hydrogen", "50"]
    words += ["--detail", "hydrogen_certified=50 ppm", "--by", "AB"]
    for name, (hydrogen, methane) in zip(ids, seen, strict=True):
        for gas_name, value in (("hydrogen", hydrogen), ("methane", methane), ("oxygen", "15.2")):
            words += ["--shown", name, gas_name, value]

    assert "look again" in bench.refused(*words[:-1], "15.3")
    assert "h2-b is commissioned with delimited-line" in bench.done(*words)


def test_a_test_from_its_opening_to_its_review_ends_in_the_folder_as_it_is_shown(bench: Bench) -> None:
    k = bench.opened("P-1041", "--answer", "1=No", "--order", "O-77")
    assert f"h2-a waits for {k}-B1: P-1041" in bench.done("test", "reserve", f"{k}-B1", "--on", "h2-a", "--by", "AB")
    assert "P-1041" in bench.done("status")
    bench.blows(3)
    bench.done("test", "dose", k, "--amount", "25", "--unit", "g", "--by", "AB")
    bench.done("test", "container", f"{k}-30", "--label", f"BAG-{k}", "--by", "AB")
    bench.done("test", "reserve", f"bag-{k}", "--on", "h2-b", "--by", "AB")
    bench.shows(41)
    bench.done("test", "note", k, "--symptom", "bloating", "--score", "3", "--scale", "0 to 10", "--by", "AB")

    shown = bench.done("test", "show", k)
    assert "41" in shown
    assert "bloating 3 (0 to 10)" in shown
    assert "Hydrogen, ppm" in shown
    assert f"{k}-60 P-1041" in " ".join(bench.done("test", "list").split())
    assert "no reading counts at" in bench.done("test", "close", k, "--by", "MK")

    test = bench.test(k)
    assert test["status"] == "final"
    assert test["reviewed"]["by"] == "MK"
    assert [one["status"] for one in point(test, f"{k}-30")["attempts"]] == ["final"]
    bench.house.settled(0)
    files = [data for name, data in bench.house.files().items() if name.startswith("tests/")]
    assert bench.done("test", "show", k, "--json").encode() in files
    made = bench.done("test", "show", k, "--history")
    for act in ("test-opened", "reserved", "dose", "container", "test-closed", "MK"):
        assert act in made


def test_a_reading_before_anyone_was_selected_is_assigned_then_taken_to_the_right_patient(bench: Bench) -> None:
    k, other = bench.opened("P-2000"), bench.opened("Q-3111")
    bench.shows(17)
    unbound = read(bench.done("readings", "--unbound", "--json").splitlines()[-1].encode())["id"]

    bench.done("test", "assign", unbound[:12], f"{k}-B1", "--by", "AB")
    words = bench.refused("test", "assign", unbound[:12], f"{other}-B1", "--by", "AB")
    assert "--reason" in words
    bench.done("test", "assign", unbound[:12], f"{other}-B1", "--reason", "taken for another", "--by", "AB")

    assert point(bench.test(k), f"{k}-B1")["attempts"] == []
    (moved,) = point(bench.test(other), f"{other}-B1")["attempts"]
    bench.done("test", "withdraw", moved["reading"][:12], "--reason", "coughed", "--by", "AB")
    assert point(bench.test(other), f"{other}-B1")["attempts"] == []
    assert "Was here, and is not any more" in bench.done("test", "show", other)


def test_a_sample_more_a_container_less_another_choice_and_the_right_patient(bench: Bench) -> None:
    k = bench.opened("P-3535")
    assert f"{k}-X1" in bench.done("test", "amend", k, "--extra", "X", "--by", "AB")
    bench.done("test", "container", f"{k}-x1", "--label", f"TUBE-{k}", "--kind", "tube", "--by", "AB")
    assert "--reason" in bench.refused("test", "container", f"tube-{k}", "--discard", "--by", "AB")
    bench.done("test", "container", f"tube-{k}", "--discard", "--reason", "leaked", "--by", "AB")
    for hydrogen in ("14", "15"):
        bench.done("enter", "h2-b", f"{k}-X1", "--hydrogen", hydrogen, hydrogen, "--reason", "no cable", "--by", "AB")
    first, second = (one["reading"] for one in point(bench.test(k), f"{k}-X1")["attempts"])
    bench.done("test", "amend", k, "--counts", second[:12], "--reason", "coughed at first", "--by", "AB")
    bench.done("test", "note", k, "slept badly", "--by", "AB")
    before = bench.test(k)["id"]

    bench.done("test", "move", k, "S-3553", "--reason", "two of that name", "--by", "AB")

    shown = bench.done("test", "show", k)
    assert "for S-3553" in shown
    assert "Last change: it was another patient's, at " in shown
    assert "counts, chosen: coughed at first" in shown
    assert "does not count" in shown
    assert "slept badly" in shown
    assert first[:8] not in shown
    assert bench.test(before)["status"] == "entered-in-error"


def test_a_value_is_entered_twice_or_not_at_all(bench: Bench) -> None:
    k = bench.opened("P-4141")
    wrong = ("enter", "h2-b", f"{k}-B1", "--hydrogen", "21", "12", "--reason", "no cable", "--by", "AB")

    assert "21 and 12 are not the same" in bench.refused(*wrong)
    assert "twice" in bench.refused("enter", "h2-b", f"{k}-B1", "--reason", "no cable", "--by", "AB")
    bench.done("enter", "h2-b", f"{k}-B1", "--hydrogen", "21.0", "21.0", "--reason", "no cable", "--by", "AB")

    assert "21.0" in bench.done("test", "show", k)
    name = read(bench.done("readings", "--json", "--last", "1").encode())["id"]
    explained = bench.done("explain", name).splitlines()
    assert explained[1].startswith("Typed in by AB (user ")
    assert explained[1].endswith(", because: no cable")
    assert explained[2] == "No bytes came from the analyser for it: there is nothing to walk back to"


def test_what_the_display_showed_is_asked_for_without_showing_what_was_recorded(bench: Bench) -> None:
    bench.shows(7654321, "15.3", "6")
    with at_a_terminal(bench, "commission", "h2-b", "--by", "AB", fails=True) as (_, terminal):
        asked = until(terminal, "hydrogen (Enter")
        os.write(terminal, b"\n" * 40 + b"1\nhydrogen=50 ppm\n")
        asked += until(terminal, "--gas-reading")

    assert "what did the display show?" in asked
    assert "7654321" not in asked


def test_what_a_display_shows_is_asked_for_twice_on_a_terminal(bench: Bench) -> None:
    k = bench.opened("P-4242")
    words = ("enter", "h2-b", f"{k}-B1", "--reason", "no cable", "--by", "AB")
    with at_a_terminal(bench, *words) as (_, terminal):
        for answer in ("17.0", "", "", "15.9", "17.0", "15.9"):
            until(terminal, ": ")
            os.write(terminal, answer.encode() + b"\n")
        until(terminal, f"stands at {k}-B1")

    assert "17.0" in bench.done("test", "show", k)


def test_two_people_who_reserve_one_analyser_at_once_get_it_once(bench: Bench) -> None:
    tests = [bench.opened(f"TWO-{n}00{n}") for n in range(1, 5)]

    def reserve(label: str) -> Any:
        given = {"sample": f"{label}-B1", "analyser": "h2-b", "by": "AB"}
        return bench.house.ask("test-reserve", **given)  # None where it was refused

    with ThreadPoolExecutor(len(tests)) as people:
        answers = list(people.map(reserve, tests))

    (won,) = [answer for answer in answers if answer is not None]
    (open_now,) = bench.house.ask("reservations")
    assert open_now["place"] == won["reservation"]["place"]
    bench.done("test", "reserve", "--cancel", "--on", "h2-b", "--by", "AB")
    assert nothing_reserved(bench)


def test_the_desk_takes_labels_from_a_pipe_tells_what_came_and_takes_back(bench: Bench) -> None:
    k = bench.opened("P-5150")
    with bench.process("test", "desk", "--by", "AB") as desk:
        assert desk.stdin is not None
        assert desk.stdout is not None
        out = desk.stdout.fileno()
        try:
            desk.stdin.write(f"{k.lower()}-b1\n".encode())
            desk.stdin.flush()
            assert "several analysers are free" in until(out, "one of h2-a, h2-b")
            desk.stdin.write(f"{k.lower()}-b1 @h2-a\r\n".encode())
            desk.stdin.flush()
            until(out, f"h2-a waits for {k}-B1: P-5150")
            bench.blows(12, "20.1")
            assert f"{k}-B1: H2 12 ppm, CH4 <2 ppm, oxygen 20.1 %" in until(out, "; final")
            desk.stdin.write(f"?\n{k}-30 @h2-b\n\n\nnonsense\n".encode())
            desk.stdin.close()
            said = until(out, "'nonsense' is no sample")
            assert desk.wait(20) == 0
        finally:
            desk.kill()
    assert f"{k}-30 is void: it was taken back" in said
    assert "Nothing was reserved here" in said
    assert nothing_reserved(bench)
    assert len(point(bench.test(k), f"{k}-B1")["attempts"]) == 1


def test_the_desk_prompts_on_a_terminal_and_leaves_with_the_end_of_input(bench: Bench) -> None:
    with at_a_terminal(bench, "test", "desk") as (_, terminal):
        until(terminal, "label> ")
        os.write(terminal, b"?\n")
        until(terminal, "label> ")
        os.write(terminal, b"\x04")


def test_cautions_are_acknowledged_on_a_terminal_by_initials_and_questions_asked(bench: Bench) -> None:
    with at_a_terminal(bench, "test", "open", "fasting", "P-7171", "--label", "T7171") as (_, terminal):
        until(terminal, "adult, child")
        os.write(terminal, b"adult\n")
        assert "two identifiers" in until(terminal, "your initials")
        os.write(terminal, b"zz\n")
        until(terminal, "last 4 weeks?")
        os.write(terminal, b"none since spring\n" + b"\n" * 8)
        until(terminal, "for P-7171")

    test = bench.test("t7171")
    assert test["cautions"]["by"] == "zz"
    assert [one["answer"] for one in test["preparation"]] == ["none since spring"]


def test_cautions_that_nobody_can_be_asked_about_open_nothing(bench: Bench) -> None:
    result = bench.type("test", "open", "lactose", "P-8181", "--by", "AB")

    assert result.exit_code == 2
    assert "galactosaemia" in result.output
    assert "--acknowledged and --by INITIALS" in str(result.exception)


def test_a_scanner_on_a_serial_line_reserves_as_a_person_does(bench: Bench) -> None:
    k = bench.opened("P-6006")
    bench.scanner.write(f"{k}-B1 @h2-b\r".encode())
    bench.house.until(lambda said: [one["place"] for one in said["reservations"]] == [f"{k}-B1"], "reserved")

    assert f"scanner desk, last: {k}-B1 @h2-b" in bench.done("status")
    bench.done("test", "reserve", "--cancel", "--on", "h2-b")


def test_a_restart_voids_what_is_reserved_and_the_desk_says_so(bench: Bench) -> None:
    k = bench.opened("P-9009")
    with at_a_terminal(bench, "test", "desk", "--by", "AB") as (_, terminal):
        until(terminal, "label> ")
        os.write(terminal, f"{k}-b1 @h2-b\n".encode())
        until(terminal, f"h2-b waits for {k}-B1: P-9009")
        bench.house.kill()
        assert bench.house.config.name in bench.refused("test", "dose", k)
        assert k in bench.done("test", "list")
        until(terminal, "the service is not running")
        bench.house.start()
        bench.house.up()
        until(terminal, f"{k}-B1: the reservation is void: the service was started anew")
        os.write(terminal, b"q\n")

    bench.shows(55)

    assert nothing_reserved(bench)
    assert point(bench.test(k), f"{k}-B1")["attempts"] == []
    assert "the service was started anew" in bench.done("readings", "--events")
    bench.send(bench.h2_a, block(*READY))


def test_what_the_day_leaves_open_is_settled_by_a_reason_and_stays_in_its_books(bench: Bench) -> None:
    k = bench.opened("P-3939")
    bench.done("test", "container", f"{k}-B1", "--by", "AB")
    bench.house.settled(0)
    books = bench.type("reconcile").output
    assert f"test {k} (P-3939) is not closed" in books
    assert f"container {k}-B1 of test {k} is not measured" in books

    for item in re.findall(r"settle (\S+) --reason", books):
        bench.done("reconcile", "settle", item, "--reason", "goes on tomorrow", "--by", "AB")
    result = bench.type("reconcile")

    assert f"Settled by AB: test {k} (P-3939) is not closed (goes on tomorrow)" in result.output
    assert result.exit_code == 0, result.output
    assert "behind settle" in bench.refused("reconcile", "--all", "settle", "test/00000000", "--reason", "x")
