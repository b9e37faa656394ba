"""A folder in the configuration: what it takes beside its path, its defaults, and the cure for every mistake."""

from __future__ import annotations

from pathlib import Path

import pytest

from capture import config
from capture.config import FolderDestination
from capture.daemon.carriers import wishes
from capture.destinations.folder import Wishes
from capture.errors import ConfigError

BEFORE = """\
[bench]
site = "north-clinic"
name = "bench-1"
data = "/var/lib/tidewire"
timezone = "Europe/Zurich"
[[analyser]]
id = "h2-a"
port = "/dev/ttyUSB0"
driver = "delimited-line"
[[destination]]
name = "files"
kind = "folder"
path = "/srv/breath"
"""


def folder(more: str = "") -> FolderDestination:
    (read,) = config.parse(BEFORE + more, Path("tidewire.toml")).destinations
    assert isinstance(read, FolderDestination)
    return read


def test_a_path_is_enough() -> None:
    assert wishes(folder()) == Wishes("json", mode=None, group=None, keep_days=None, receipts=False)


def test_everything_that_may_be_said_is_heard() -> None:
    said = 'encoding = "csv"\nmode = "0640"\ngroup = "clinic"\nkeep_days = 90\nreceipts = true\n'

    assert wishes(folder(said)) == Wishes("csv", 0o640, "clinic", 90, receipts=True)


@pytest.mark.parametrize(("text", "mode"), [("0600", 0o600), ("640", 0o640), ("0666", 0o666)])
def test_a_mode_is_octal_text(text: str, mode: int) -> None:
    assert wishes(folder(f'mode = "{text}"\n')).mode == mode


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("mode = 640", 'mode: is 640, must be text in quotes, e.g. "0640"'),
        ('mode = "rw-r--"', 'must be the permission bits of files in octal; write e.g. "0640"'),
        ('mode = "0840"', "must be the permission bits of files in octal"),
        ('mode = "4640"', "must be the permission bits of files in octal"),
        ('mode = ""', "must be the permission bits of files in octal"),
        ('mode = "0750"', 'must be that of files, which nobody executes; write e.g. "0640"'),
        ('mode = "0440"', 'must let the service read and write; write e.g. "0640"'),
        ('group = ""', "must be 1 to 64 printable characters, or be left out"),
        ("keep_days = 0", "must be between 1 and 36500 days; write e.g. 90, or leave it out to keep everything"),
        ("keep_days = 1.5", "must be a whole number"),
        ('receipts = "yes"', "must be true or false, without quotes"),
        ('encoding = "xml"', 'encoding: is "xml", must be "json" or "csv"'),
        ("keepdays = 3", "unknown key; write keep_days"),
    ],
)
def test_every_mistake_is_told_with_its_line_and_the_cure(line: str, words: str) -> None:
    with pytest.raises(ConfigError) as told:
        folder(line + "\n")

    assert str(told.value).startswith("tidewire.toml, line 14, destination.1.")
    assert words in str(told.value)
