"""`tidewire resend`: through the running service, byte for byte, with counts at the end and the cure where it cannot."""

from __future__ import annotations

import json
import shutil
from typing import TYPE_CHECKING

import pytest

from tests.endtoend.house import House

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.commands.conftest import Desk


@pytest.fixture(scope="module")
def house(morning: Desk, tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """A running service on a journal of which everything was sent before, and an empty folder to send it to again."""
    place = tmp_path_factory.mktemp("again")
    shutil.copytree(morning.folder / "data", place / "data")
    with House(place, {"h2-a": "delimited-line"}) as made:
        made.start()
        made.until(lambda _status: True, "answers")
        yield made


@pytest.fixture
def again(house: House, morning: Desk, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    """Somebody who types commands at that bench; the folder is emptied afterwards."""
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(house.runtime))
    yield type(morning)(house.place)
    assert house.out is not None
    for name in ("readings", "events"):
        shutil.rmtree(house.out / name, ignore_errors=True)


def sent_before(morning: Desk) -> dict[str, bytes]:
    folder = morning.folder / "breath"
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.glob("[a-z]*/*/*"))}


@pytest.mark.daemon
def test_everything_goes_again_byte_for_byte_under_the_same_names(house: House, morning: Desk, again: Desk) -> None:
    said = again.type("resend", "--destination", "files", "--since", "2020-01-01")

    before = sent_before(morning)
    assert said.exit_code == 0, said.output
    assert said.output == f"files: {len(before)} sent again\n"  # and no progress: that is for terminals
    assert house.files() == before


@pytest.mark.daemon
def test_a_span_of_records_as_data_and_a_second_time_changes_nothing(house: House, morning: Desk, again: Desk) -> None:
    for _ in range(2):
        said = again.type("resend", "--destination", "files", "--seq", "2-4", "--json")

        told = json.loads(said.output)
        assert said.exit_code == 0
        assert (told["resend"]["first"], told["resend"]["last"], told["resend"]["taken"]) == (2, 4, 3)
        assert len(house.files()) == 3
        assert house.files().items() <= sent_before(morning).items()


@pytest.mark.daemon
def test_what_was_refused_goes_again_once_its_cause_is_mended(house: House, morning: Desk, again: Desk) -> None:
    assert house.out is not None
    name = next(iter(sent_before(morning)))
    foreign = house.out / name
    foreign.parent.mkdir(parents=True)
    foreign.write_bytes(b"somebody's")

    first = again.type("resend", "--destination", "files", "--since", "2020-01-01")

    assert first.exit_code == 1
    assert "1 of them were refused again; the far side's words: tidewire status" in first.output
    assert "stands there with other content" in again.type("status").output

    foreign.unlink()
    second = again.type("resend", "--destination", "files", "--refused")
    assert (second.exit_code, second.output) == (0, "files: 1 sent again\n")
    assert foreign.read_bytes() == sent_before(morning)[name]


@pytest.mark.daemon
def test_nothing_to_send_is_said(again: Desk) -> None:
    said = again.type("resend", "--destination", "files", "--refused")

    assert (said.exit_code, said.output) == (
        0,
        "files: nothing of that was sent there; there is nothing to send again\n",
    )


@pytest.mark.daemon
def test_a_destination_that_does_not_exist_is_named_with_those_that_do(again: Desk) -> None:
    said = again.type("resend", "--destination", "fiels", "--refused")

    assert said.exit_code == 1
    assert str(said.exception) == "no destination fiels in the configuration; there are: files"


@pytest.mark.parametrize(
    ("words", "cure"),
    [
        ((), "say which records: one of --since 2026-11-24, --seq 120-180, --refused"),
        (("--refused", "--seq", "1-2"), "say which records"),
        (("--seq", "7"), "--seq 7: write the first and the last record, e.g. 120-180"),
        (("--since", "yesterday"), "--since yesterday: write a local day or time such as"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_an_example(morning: Desk, words: tuple[str, ...], cure: str) -> None:
    result = morning.type("resend", "--destination", "files", *words)

    assert result.exit_code == 2
    assert cure in str(result.exception)


def test_without_the_service_it_says_how_to_start_it(morning: Desk) -> None:
    result = morning.type("resend", "--destination", "files", "--refused")

    assert result.exit_code == 1
    cure = f"start it: tidewire run --config {morning.config}"
    assert f"the service is not running, and it alone sends; {cure}" in str(result.exception)
