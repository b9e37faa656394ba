"""The list of planted faults fits the tree, and a sample of it is planted and caught on every run of the suite."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.mutations.run import TOP, Edit, ListError, Mutation, copy_tree, mutations, survivors

if TYPE_CHECKING:
    from pathlib import Path

LISTED = mutations()
SAMPLE = ("reply-before-commit", "check-not-checked")


@pytest.mark.parametrize("mutation", LISTED, ids=lambda mutation: mutation.name)
def test_each_fault_can_be_planted_and_names_tests_that_are_there(mutation: Mutation) -> None:
    for edit in mutation.edits:
        assert edit.new != edit.old
        edit.file(TOP)  # raises unless the text is there exactly once
    assert mutation.why
    assert mutation.tests
    for test in mutation.tests:
        file, _, name = test.partition("::")
        assert (
            f"def {name.partition('[')[0]}(" in (TOP / file).read_text(encoding="utf-8")
            if name
            else (TOP / file).is_file()
        )


def test_no_two_faults_have_one_name() -> None:
    assert len({mutation.name for mutation in LISTED}) == len(LISTED) > 20


@pytest.fixture(scope="module")
def copied(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("copy")
    copy_tree(place)
    return place


@pytest.mark.parametrize("name", SAMPLE)
def test_a_planted_fault_is_caught(copied: Path, name: str) -> None:
    (mutation,) = [each for each in LISTED if each.name == name]
    first = Mutation(mutation.name, mutation.why, mutation.edits, mutation.tests[:1])

    assert survivors(copied, first) == []


def test_a_fault_that_is_none_survives_and_one_that_fits_nowhere_is_said(copied: Path) -> None:
    """The judge judged: harmless edits are not called caught, and a text that is not there is a mistake of the list."""
    test = "tests/daemon/test_notify.py::test_without_systemd_nothing_happens"
    harmless = Mutation("none", "", (Edit("capture/daemon/notify.py", '"\\n".join(', '"\\x0a".join('),), (test,))
    foreign = Mutation("foreign", "", (Edit("capture/daemon/notify.py", "no such text", ""),), (test,))

    assert survivors(copied, harmless) == [test]
    with pytest.raises(ListError, match="'no such text' occurs 0 times; it must occur once"):
        survivors(copied, foreign)
