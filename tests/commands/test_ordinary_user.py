"""Commands typed by somebody who is neither root nor in the service's group, while /run/tidewire is the service's."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from capture.journal.store import Store
from tests.commands.conftest import CONFIGURATION

if TYPE_CHECKING:
    from collections.abc import Iterator

TOP = Path(__file__).resolve().parents[2]
NOBODY = 65534  # the number of the user without rights, common practice on Linux
NO_MORE_THAN_OTHERS = ["setpriv", "--bounding-set=-dac_override,-dac_read_search"]
"""Before a command of root's: modes bind it as they bind everybody (capabilities(7)). For trees only root can read."""
JOIN = "not permitted; join the group: sudo usermod -aG tidewire $USER"
SCRIPT = (
    "import sys; from pathlib import Path; from capture.daemon import address; data = Path(sys.argv[1]); "
    "address.SYSTEM = Path(sys.argv[2]); "
    "path = address.to_listen(data); assert address.to_ask(data) is None; path.touch(); "
    "assert address.to_ask(data) == path; print(path.parent)"
)


@dataclass
class Person:
    """An ordinary user with a folder of their own; `barred` is a runtime folder they may not enter."""

    home: Path
    barred: Path
    uid: int = field(default_factory=os.getuid)
    env: dict[str, str] = field(default_factory=dict)
    within_s: float = 55

    def python(self, *words: str) -> subprocess.CompletedProcess[str]:
        """What a Python of theirs says."""
        other = self.uid != os.getuid()
        who: dict[str, Any] = {"user": self.uid, "group": self.uid, "extra_groups": []} if other else {}
        before = NO_MORE_THAN_OTHERS if self.uid == 0 else []
        env = {"PATH": os.environ["PATH"], "PYTHONPATH": str(TOP), "RUNTIME_DIRECTORY": str(self.barred), **self.env}
        return subprocess.run(
            [*before, sys.executable, *words],
            capture_output=True,
            text=True,
            timeout=self.within_s,
            check=False,
            cwd="/",
            env=env | {"TMPDIR": str(self.home), "PYTHONDONTWRITEBYTECODE": "1"},
            **who,
        )

    def type(self, *words: str) -> subprocess.CompletedProcess[str]:
        """`tidewire WORDS`."""
        return self.python("-m", "capture.commands", *words)

    def give(self, *paths: Path) -> None:
        """Make it theirs."""
        for path in paths:
            if self.uid != os.getuid():
                os.chown(path, self.uid, self.uid)


def _readable_for_nobody() -> bool:
    words = [sys.executable, "-c", "import capture.commands"]
    try:
        done = subprocess.run(words, capture_output=True, check=False, cwd=TOP, user=NOBODY, group=NOBODY)
    except PermissionError:
        return False
    return done.returncode == 0


@pytest.fixture
def person() -> Iterator[Person]:
    with tempfile.TemporaryDirectory(prefix="tw-") as folder:
        place = Path(folder)
        place.chmod(0o755)
        someone = Person(place / "home", place / "barred")
        someone.home.mkdir()
        someone.barred.mkdir()
        someone.barred.chmod(0)
        if os.getuid() == 0 and _readable_for_nobody():
            someone.uid = NOBODY
        someone.give(someone.home)
        yield someone
        someone.barred.chmod(0o700)


def config(person: Person, data: Path) -> Path:
    text = CONFIGURATION.format(folder=person.home).replace(f'data = "{person.home}/data"', f'data = "{data}"')
    path = person.home / "tidewire.toml"
    path.write_text(text, encoding="utf-8")
    path.chmod(0o644)
    return path


def others_journal(person: Person) -> Path:
    """A data folder with a journal that the person may not enter."""
    data = person.home.parent / "data"
    data.mkdir()
    Store.open(data, create=True).close()
    data.chmod(0)
    return data


def one_line(done: subprocess.CompletedProcess[str]) -> str:
    assert done.stderr.startswith("tidewire: "), done.stderr
    assert done.stderr.count("\n") == 1, done.stderr
    return done.stderr.removeprefix("tidewire: ").rstrip("\n")


@pytest.mark.parametrize(
    "words",
    [
        ["status"],
        ["readings"],
        ["reconcile"],
        ["explain", "caa3a430"],
        ["resend", "--destination", "files", "--refused"],
    ],
    ids=lambda words: words[0],
)
def test_somebody_outside_the_group_is_told_to_join_it(person: Person, words: list[str]) -> None:
    data = others_journal(person)
    try:
        done = person.type(*words, "--config", str(config(person, data)))
    finally:
        data.chmod(0o700)

    assert done.returncode == 1
    assert one_line(done) == f"{person.barred}: {JOIN}"


def test_a_journal_of_their_own_is_still_looked_into(person: Person) -> None:
    data = person.home / "data"
    data.mkdir()
    Store.open(data, create=True).close()
    person.give(data, *data.iterdir())

    done = person.type("readings", "--config", str(config(person, data)))

    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("0 readings\n")


def test_where_nothing_is_barred_and_no_service_runs_the_journals_owner_is_to_ask(person: Person) -> None:
    data = others_journal(person)
    person.env["RUNTIME_DIRECTORY"] = ""
    barred = Path("/run/tidewire")
    try:
        done = person.type("status", "--config", str(config(person, data)))
    finally:
        data.chmod(0o700)

    assert done.returncode == 1
    if barred.exists():  # a service of this machine's own: then that one may be the one that was meant
        assert "not permitted" in one_line(done)
    else:
        assert one_line(done).startswith(f"{data}: not permitted, and no service of it is running; ask as its owner: ")


def test_a_service_on_the_data_folder_of_somebody_else_is_refused_with_the_cure(person: Person) -> None:
    data = others_journal(person)
    try:
        done = person.type("run", "--config", str(config(person, data)))
    finally:
        data.chmod(0o700)

    assert done.returncode == 1
    assert one_line(done).startswith(f"{data}: not permitted; it belongs to another user: sudo -u ")


@pytest.mark.parametrize("command", ["run", "status", "check"])
def test_a_configuration_that_they_may_not_read_cannot_be_used(person: Person, command: str) -> None:
    path = config(person, person.home / "data")
    path.chmod(0)

    done = person.type(command, "--config", str(path))

    assert done.returncode == 78
    assert one_line(done) == f"{path}: permission denied; allow it with `sudo chmod a+r {path}`"


@pytest.mark.parametrize("own", ["XDG_RUNTIME_DIR", None])
def test_their_own_service_and_their_own_command_meet_past_a_barred_folder(person: Person, own: str | None) -> None:
    folder = person.home / "run"
    folder.mkdir()
    person.give(folder)
    if own is not None:
        person.env[own] = str(folder)

    done = person.python("-c", SCRIPT, str(person.home / "data"), str(person.barred))

    assert done.returncode == 0, done.stderr
    wanted = person.home / f"tidewire-{person.uid}" if own is None else folder / "tidewire"
    assert done.stdout.strip() == str(wanted)


@pytest.mark.daemon
@pytest.mark.timeout(120)  # a busy machine; on an idle one half a minute
def test_the_demo_is_theirs_to_try(person: Person) -> None:
    person.within_s = 110
    done = person.type("demo", "--folder", str(person.home / "demo"))

    assert (done.returncode, done.stderr) == (0, ""), done.stdout
    assert "The books balance." in done.stdout
    assert "nothing is left running" in done.stdout
