"""Whatever fails, at whichever step, and whether the service dies of it or goes on: nothing lost, nothing twice."""

from __future__ import annotations

import errno
from typing import TYPE_CHECKING

import pytest

from capture.destinations.folder import Folder, Wishes
from capture.destinations.folder.files import file_path
from capture.encodings import csv, json
from capture.errors import DestinationDown
from tests.destinations.folder.hands import DAY_MS, NthFails

if TYPE_CHECKING:
    from tests.destinations.folder.hands import Bench

MOST_CALLS = 60


def all_is_whole(bench: Bench) -> None:
    """A reader of the folder sees only whole files, and no delivery in two places."""
    for name in bench.files():
        data = (bench.target / name).read_bytes()
        if name.endswith(".json"):
            assert data.endswith(b"}\n"), name
        elif name.endswith(".csv"):
            rows = bench.rows(name)
            assert all(len(row) == len(csv.columns("reading")) for row in rows), name
            assert len({row["delivery"] for row in rows}) == len(rows), name


@pytest.mark.parametrize("encoding", ["json", "csv"])
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO])
@pytest.mark.parametrize("done", [False, True])
@pytest.mark.parametrize("dies", [False, True])
def test_the_nth_call_fails_and_afterwards_all_is_there_once(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, encoding: str, code: int, *, done: bool, dies: bool
) -> None:
    wishes = Wishes(encoding=encoding)  # type: ignore[arg-type]  # pytest's parameters are plain texts
    folder = bench.folder(wishes)
    expected = 0
    for n in range(1, MOST_CALLS):
        bench.breathe(ms=DAY_MS * n)  # a new day, with all that has to be made for it, and one that is there
        bench.breathe(ms=DAY_MS)
        expected += 2
        parcels = bench.taken(folder)
        with monkeypatch.context() as patch:
            failing = NthFails(patch, n, code, done=done)
            answered = _try(folder, parcels)
        assert answered is not failing.failed
        all_is_whole(bench)
        folder = bench.folder(wishes) if dies else folder
        assert {answer.state for answer in bench.deliver(folder)} <= {"sent"}
        assert _there(bench, encoding) == expected
        if not failing.failed:
            break
    else:
        pytest.fail("a send of two records takes more calls than that: the loop ended too early")
    assert n > 12, "a send of two records takes at least that many calls: the failures were never in their way"
    _each_is_as_the_journal_says(bench, folder, encoding)


def _try(folder: Folder, parcels: object) -> bool:
    try:
        folder.send(parcels)  # type: ignore[arg-type]  # handed on as it was given
    except DestinationDown:
        return False
    return True


def _there(bench: Bench, encoding: str) -> int:
    names = [name for name in bench.files() if name.endswith(f".{encoding}")]
    return len(names) if encoding == "json" else sum(len(bench.rows(name)) for name in names)


def _each_is_as_the_journal_says(bench: Bench, folder: Folder, encoding: str) -> None:
    books = folder._shape._books
    carried = list(books.day("readings", 0, 1 << 50))
    assert {one.state for one in carried} == {"sent"}
    if encoding == "json":
        for one in carried:
            assert (bench.target / file_path(one.parcel)).read_bytes() == json.encode(one.parcel.text)
        return
    rows = [row for name in bench.files() if name.endswith(".csv") for row in bench.rows(name)]
    assert sorted((int(row["delivery"]), row["id"]) for row in rows) == sorted(
        (one.parcel.number, str(one.parcel.id)) for one in carried
    )
