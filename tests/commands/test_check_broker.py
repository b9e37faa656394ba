"""`tidewire check` of a broker: that it was not tried, whether its files are of use, and secrets that anybody may read."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from tests.destinations.mqtt.brokers import free_port, papers

if TYPE_CHECKING:
    from pathlib import Path

    from tests.commands.conftest import Desk


def broker(desk: Desk, *lines: str) -> None:
    table = ['[[destination]]\nname = "broker"\nkind = "mqtt"\nhost = "127.0.0.1"', f"port = {free_port()}", *lines]
    desk.config.write_text(desk.config.read_text() + "\n".join(table) + "\n")


def points(desk: Desk, *words: str) -> list[str]:
    """What is said of the broker, and whether it is good."""
    rows = json.loads(desk.type("check", "--json", *words).output)["points"]
    return [f"{each['good']}: {each['words']}" for each in rows if each["about"].endswith(" of broker")]


def remarks(desk: Desk) -> list[str]:
    found = json.loads(desk.type("check", "--json").output)["remarks"]
    return [each for each in found if "may read" in each]


@pytest.fixture
def password(desk: Desk) -> Path:
    path = desk.folder / "the password"
    path.write_text("hush\n")
    path.chmod(0o600)
    return path


def test_a_broker_is_not_tried_and_that_is_said(desk: Desk) -> None:
    broker(desk)

    assert points(desk) == ["True: was not tried: check --connect sends it one training record"]
    (tried,) = points(desk, "--connect")
    assert tried.startswith("False: ")
    assert "not tried" not in tried


def test_a_password_that_only_its_owner_may_read_is_no_remark(desk: Desk, password: Path) -> None:
    broker(desk, f'user = "u"\npassword_file = "{password}"')

    assert remarks(desk) == []


def test_a_password_that_anybody_may_read_is_a_remark_with_the_cure_and_no_fault(desk: Desk, password: Path) -> None:
    broker(desk, f'user = "u"\npassword_file = "{password}"')
    password.chmod(0o644)

    assert remarks(desk) == [
        f"destination broker: any user may read the password in {password}; sudo chmod o-r '{password}'"
    ]
    assert points(desk)[0].startswith("True: ")
    result = desk.type("check")
    assert f"remark: destination broker: any user may read the password in {password}" in result.output
    assert "hush" not in result.output


@pytest.mark.parametrize("apart", [True, False])
def test_so_is_a_key_in_its_own_file_or_with_its_certificate(desk: Desk, apart: bool) -> None:
    certificate, key = papers(desk.folder / "papers").pair("bench")
    named = f'certificate = "{certificate}", key = "{key}"'
    secret = key
    if not apart:
        secret = desk.folder / "both.pem"
        secret.write_bytes(certificate.read_bytes() + key.read_bytes())
        named = f'certificate = "{secret}"'
    broker(desk, f"tls = {{ {named} }}")
    secret.chmod(0o640)
    assert remarks(desk) == []
    secret.chmod(0o644)

    assert remarks(desk) == [f"destination broker: any user may read the key in {secret}; sudo chmod o-r {secret}"]


def test_a_file_that_is_not_there_or_of_no_use_is_to_be_seen_to(desk: Desk, password: Path) -> None:
    broker(desk, f'user = "u"\npassword_file = "{password}"\ntls = {{ ca = "{desk.folder}/ca.pem" }}')
    ca = desk.folder / "ca.pem"

    assert points(desk) == [f"False: {ca}: No such file or directory; make the file, or name the right one"]
    ca.write_text("no certificate")
    assert points(desk) == [f"False: {ca}: cannot be used; name a file with the authority's certificate (PEM)"]
    password.unlink()
    assert points(desk) == [f"False: {password}: No such file or directory; make the file, or name the right one"]
    assert remarks(desk) == []


def test_a_credential_is_for_the_service_to_find(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    broker(desk, 'user = "u"\ncredential = "mqtt"')
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    assert points(desk)[0].startswith("True: was not tried")

    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(desk.folder / "given"))
    assert points(desk) == [
        f"False: {desk.folder}/given/mqtt: No such file or directory; make the file, or name the right one"
    ]
