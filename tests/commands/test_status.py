"""What `tidewire status` says of a destination in words: what it refused, passed over and sends again."""

from __future__ import annotations

import json
import shutil
from typing import TYPE_CHECKING

import pytest

from capture.acts import resend
from capture.journal.store import Store
from tests import kit

if TYPE_CHECKING:
    from pathlib import Path

    from tests.commands.conftest import Desk


@pytest.fixture
def odd(morning: Desk, tmp_path: Path) -> Desk:
    """A stopped bench with a refused record, one that was passed over, and some that are to go again."""
    desk = type(morning)(tmp_path)
    shutil.copytree(morning.folder, desk.folder, dirs_exist_ok=True)
    desk.config.write_text(morning.config.read_text().replace(str(morning.folder), str(desk.folder)))
    with Store.open(desk.folder / "data") as store:
        change = "UPDATE deliveries SET state = ?, words = ? WHERE seq = ?"
        store.call(lambda tx: tx.do(change, "refused", "unknown patient", 2))
        store.call(lambda tx: tx.do(change, "skipped", "superseded before it was sent", 3))
        store.call(lambda tx: resend.resend(tx, "files", "mk", kit.heard(), first=4, last=9))
    return desk


def test_people_read_it_in_words(odd: Desk) -> None:
    said = odd.type("status").output.splitlines()

    assert "files refused record 2: unknown patient" in said
    assert "files skipped 1: superseded before it was sent" in said
    assert "files: sends records 4 to 9 again, at 3" in said


def test_programs_read_the_same_and_the_epoch(odd: Desk) -> None:
    (said,) = json.loads(odd.type("status", "--json").output)["destinations"]

    assert said["refusals"] == [{"seq": 2, "words": "unknown patient"}]
    assert said["skipped_for"] == {"superseded before it was sent": 1}
    assert (said["resend"]["first"], said["resend"]["last"], said["resend"]["done"]) == (4, 9, False)
    assert len(said["epoch"]) == 36
    assert said["sent"] + said["accepted"] + said["refused"] + said["skipped"] + said["waiting"] == said["records"]
