"""`tidewire check` of protocols and scanners: which can be used, which are approved, and what a site left out."""

from __future__ import annotations

import os
import pty
from typing import TYPE_CHECKING

import pytest

from capture.protocols import TEMPLATES

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.commands.conftest import Desk

APPROVED = 'approved = { by = "Dr A. Example", on = 2026-11-20 }\n'


def put(desk: Desk, name: str, text: str) -> None:
    folder = desk.folder / "protocols"
    if not folder.exists():
        folder.mkdir()
        told(desk, f'protocols = "{folder}"')
    (folder / f"{name}.toml").write_text(text, encoding="utf-8")


def told(desk: Desk, line: str, after: str = 'name = "bench-1"') -> None:
    written = desk.config.read_text(encoding="utf-8")
    assert after in written
    desk.config.write_text(written.replace(after, f"{after}\n{line}", 1), encoding="utf-8")


def template(name: str, approved: str = "") -> str:
    return (
        (TEMPLATES / f"{name}.toml").read_text(encoding="utf-8").replace("\n[substrate]", f"{approved}\n[substrate]", 1)
    )


@pytest.fixture
def good_desk(desk: Desk) -> Iterator[Desk]:
    """A desk with nothing to see to: its analyser's port is there."""
    master, slave = pty.openpty()
    written = desk.config.read_text(encoding="utf-8")
    desk.config.write_text(written.replace(f"{desk.folder}/no-such-device", os.ttyname(slave)), encoding="utf-8")
    yield desk
    os.close(slave)
    os.close(master)


def test_templates_are_listed_as_for_training_only(good_desk: Desk) -> None:
    result = good_desk.type("check")

    assert result.exit_code == 0
    line = "good: protocol templates: fasting, free, fructose, glucose, lactose, lactulose; approved by nobody: for training"
    assert line in result.output


def test_an_approved_protocol_says_by_whom_and_is_no_template_any_more(good_desk: Desk) -> None:
    put(good_desk, "lactose", template("lactose", APPROVED))

    result = good_desk.type("check")

    assert result.exit_code == 0
    assert "good: protocol lactose: version 1, approved by Dr A. Example on 2026-11-20\n" in result.output
    assert "good: protocol templates: fasting, free, fructose, glucose, lactulose;" in result.output


def test_an_unapproved_one_is_for_training_only(good_desk: Desk) -> None:
    put(good_desk, "lactose", template("lactose"))

    result = good_desk.type("check")

    assert result.exit_code == 0
    assert "good: protocol lactose: version 1, approved by nobody: for training only\n" in result.output


def test_an_approval_of_a_day_to_come_is_to_be_seen_to(good_desk: Desk) -> None:
    put(good_desk, "lactose", template("lactose", APPROVED.replace("2026", "9026")))

    result = good_desk.type("check")

    assert result.exit_code == 1
    assert (
        "SEE TO: protocol lactose: version 1, approved only from 9026-11-20 on; put approved.on right in"
        in result.output
    )


def test_a_protocol_that_cannot_be_used_is_to_be_seen_to_by_line(good_desk: Desk) -> None:
    put(good_desk, "lactose", template("lactose").replace("amount = 25", "amnt = 25", 1))

    result = good_desk.type("check")

    assert result.exit_code == 1
    assert "SEE TO: protocol lactose: " in result.output
    assert "substrate.amnt: unknown key; write amount" in result.output


def test_a_caution_that_a_site_left_out_is_named(good_desk: Desk) -> None:
    caution = "Never in known or suspected hereditary fructose intolerance"
    text = template("fructose", APPROVED)
    assert text.count(caution) == 1
    before, _, after = text.partition(f'[[cautions]]\ntext = "{caution}')
    put(good_desk, "fructose", before + after.partition("\n\n")[2])

    result = good_desk.type("check")

    assert f'approved by Dr A. Example on 2026-11-20; leaves out the caution "{caution}' in result.output
    assert result.exit_code == 0, "the site's approval decides"


def test_a_folder_of_protocols_that_is_not_there_is_to_be_seen_to(good_desk: Desk) -> None:
    told(good_desk, f'protocols = "{good_desk.folder}/none"')

    result = good_desk.type("check")

    assert result.exit_code == 1
    assert (
        f"SEE TO: protocols folder {good_desk.folder}/none: is not there; make it, or put bench.protocols"
        in result.output
    )


def test_a_scanners_port_is_looked_at_as_an_analysers_is(good_desk: Desk, tmp_path: Path) -> None:
    told(good_desk, f'[[scanner]]\nid = "desk"\nport = "{tmp_path}/none"\n', 'driver = "delimited-line"')

    result = good_desk.type("check")

    assert result.exit_code == 1
    assert f"SEE TO: port {tmp_path}/none of scanner desk: " in result.output
