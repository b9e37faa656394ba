"""User, password and TLS: from files and credentials, against a real broker, and every mistake with its cure."""

from __future__ import annotations

import re
import ssl
import subprocess
from typing import TYPE_CHECKING

import pytest

from capture.config import TlsTable
from capture.destinations.mqtt import reasons, secrets
from capture.errors import DestinationDown
from capture.journal.deliveries import Answer
from tests.destinations.mqtt.brokers import OPEN
from tests.destinations.mqtt.kit import down, parcel, wanted

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from capture.destinations.mqtt.link import Link
    from tests.destinations.mqtt.brokers import Mosquitto, Papers

COUNT = 'unheard = "count"\n'


async def works(link: Link) -> None:
    async with link as near:
        answer = await near.publish(parcel(1))
    assert isinstance(answer, Answer)
    assert answer.state == "sent"


# User and password ---------------------------------------------------------------------------------------------------


@pytest.fixture
def guarded(broker: Callable[..., Mosquitto], tmp_path: Path) -> Mosquitto:
    users = tmp_path / "users"
    subprocess.run(["mosquitto_passwd", "-c", "-b", users, "bench-1", "hush"], check=True, timeout=30)
    return broker(f"password_file {users}\n")


async def test_user_and_password_come_from_the_configuration_and_a_file(
    guarded: Mosquitto, link: Callable[..., Link], tmp_path: Path
) -> None:
    (tmp_path / "p").write_text("hush\n")
    await works(link(guarded.port, f'{COUNT}user = "bench-1"\npassword_file = "{tmp_path}/p"\n'))


async def test_or_both_from_one_file_or_from_a_systemd_credential(
    guarded: Mosquitto, link: Callable[..., Link], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "both").write_text("bench-1\nhush\n")
    await works(link(guarded.port, f'{COUNT}password_file = "{tmp_path}/both"\n'))
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    await works(link(guarded.port, f'{COUNT}credential = "both"\n'))


async def test_a_wrong_password_and_none_at_all_are_told_apart_from_other_troubles(
    guarded: Mosquitto, link: Callable[..., Link], tmp_path: Path
) -> None:
    (tmp_path / "p").write_text("loud\n")
    words = await down(link(guarded.port, f'user = "bench-1"\npassword_file = "{tmp_path}/p"\n'))
    assert (
        "the broker says not authorized; let user bench-1 connect at the broker, or put user and password rig" in words
    )
    assert "loud" not in words
    assert "put it by user and password_file (no user is configured) right" in await down(link(guarded.port))


async def test_a_password_that_was_put_right_needs_no_restart(
    guarded: Mosquitto, link: Callable[..., Link], tmp_path: Path
) -> None:
    (tmp_path / "p").write_text("loud\n")
    more = f'{COUNT}user = "bench-1"\npassword_file = "{tmp_path}/p"\n'
    await down(link(guarded.port, more))
    (tmp_path / "p").write_text("hush\n")
    await works(link(guarded.port, more))


def test_a_secret_that_cannot_be_read_names_its_file_and_never_its_content(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def says(more: str) -> str:
        with pytest.raises(DestinationDown) as refused:
            secrets.login(wanted(1883, more))
        assert "hush" not in str(refused.value)
        return str(refused.value).replace(str(tmp_path), "F")

    path = tmp_path / "p"
    mine = f'password_file = "{path}"\n'
    assert says(mine) == "F/p: No such file or directory; make the file, or name the right one"
    path.write_text("hush\n")
    assert says(mine) == "F/p: has 1 lines; write two lines, user and password (no user is configured)"
    assert says(f'{mine}credential = "x"\n'.replace(mine, "")).startswith("credential x: this service was given none; ")
    path.write_text("hush\nhush\n")
    assert says(f'user = "u"\n{mine}') == "F/p: has 2 lines; write one line, the password"
    path.write_bytes(b"\xff")
    assert says(mine) == "F/p: is no UTF-8 text; write the password as one line of text"
    path.write_text("hush\n")
    monkeypatch.setattr(type(path), "open", _denied)
    assert says(mine) == "F/p: Permission denied; let the service's user read it, and nobody else"


def _denied(*_: object) -> None:
    raise PermissionError(13, "Permission denied")


def test_a_secret_that_everybody_may_read_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "p"
    path.touch(0o644)
    assert secrets.readable_by_others(path)
    path.chmod(0o640)
    assert not secrets.readable_by_others(path)


def test_without_a_password_there_is_a_user_or_nobody() -> None:
    assert secrets.login(wanted(1883)) == (None, None)
    assert secrets.login(wanted(1883, 'user = "bench-1"\n')) == ("bench-1", None)


# TLS -----------------------------------------------------------------------------------------------------------------


def tls(papers: Papers, names: str = "DNS:broker.example", *, name: str = "server", days: int = 2) -> str:
    certificate, key = papers.pair(name, names=names, days=days)
    return f"{OPEN}cafile {papers.ca}\ncertfile {certificate}\nkeyfile {key}\n"


async def test_tls_with_our_own_authority_and_another_name_than_the_one_dialled(
    broker: Callable[..., Mosquitto], link: Callable[..., Link], papers: Papers
) -> None:
    own = broker(tls(papers))
    await works(link(own.port, f'{COUNT}tls = {{ ca = "{papers.ca}", server_name = "broker.example" }}\n'))
    words = await down(link(own.port, f'tls = {{ ca = "{papers.ca}" }}\n'))
    assert "the broker's certificate does not have the address 127.0.0.1: write the name it has as tls.server" in words
    words = await down(link(own.port, f'tls = {{ ca = "{papers.ca}", server_name = "other.example" }}\n'))
    assert "the broker's certificate has another name than other.example: write the name it has as tls.serv" in words


async def test_the_name_that_is_dialled_is_checked_unless_another_is_given(
    broker: Callable[..., Mosquitto], link: Callable[..., Link], papers: Papers
) -> None:
    own = broker(tls(papers, "DNS:localhost,IP:127.0.0.1", name="local"))
    await works(link(own.port, f'{COUNT}tls = {{ ca = "{papers.ca}" }}\n'))


async def test_an_authority_that_is_not_known_is_named_as_the_trouble(
    broker: Callable[..., Mosquitto], link: Callable[..., Link], papers: Papers
) -> None:
    own = broker(tls(papers))
    words = await down(link(own.port, 'tls = { server_name = "broker.example" }\n'))
    assert "is of an authority not known here: name that authority's file in tls.ca" in words


async def test_an_expired_certificate_is_named_as_the_trouble(
    broker: Callable[..., Mosquitto], link: Callable[..., Link], papers: Papers
) -> None:
    own = broker(tls(papers, name="expired", days=-1))
    words = await down(link(own.port, f'tls = {{ ca = "{papers.ca}", server_name = "broker.example" }}\n'))
    assert "the broker's certificate has expired: have it renewed (or is this machine's clock wrong?)" in words


async def test_a_client_certificate_opens_a_broker_that_wants_one(
    broker: Callable[..., Mosquitto], link: Callable[..., Link], papers: Papers
) -> None:
    own = broker(f"{tls(papers)}require_certificate true\n")
    certificate, key = papers.pair("bench")
    base = f'ca = "{papers.ca}", server_name = "broker.example"'
    await works(link(own.port, f'{COUNT}tls = {{ {base}, certificate = "{certificate}", key = "{key}" }}\n'))
    words = await down(link(own.port, f"tls = {{ {base} }}\n"))
    assert "the broker wants a client certificate: write tls.certificate and tls.key" in words


async def test_plain_text_at_a_tls_port_and_the_other_way_round(
    shared: Mosquitto, broker: Callable[..., Mosquitto], link: Callable[..., Link], papers: Papers
) -> None:
    own = broker(tls(papers))
    assert "write tls = { … } if it wants TLS" in await down(link(own.port))
    words = await down(link(shared.port, f'tls = {{ ca = "{papers.ca}" }}\n'))
    assert re.search(r"is TLS wanted on it\?|does the broker speak TLS on that port\?", words), "a reset, or an end"


def test_tls_is_1_2_at_least_and_checks_the_certificate_and_the_name(papers: Papers) -> None:
    context = secrets.tls_context(TlsTable(ca=papers.ca))
    assert context.minimum_version == ssl.TLSVersion.TLSv1_2
    assert context.verify_mode == ssl.CERT_REQUIRED
    assert context.check_hostname


def test_files_for_tls_that_cannot_be_used_are_named_with_what_should_be_in_them(
    papers: Papers, tmp_path: Path
) -> None:
    def says(**table: Path) -> str:
        with pytest.raises(DestinationDown) as refused:
            secrets.tls_context(TlsTable(**table))  # type: ignore[arg-type]  # paths alone
        return str(refused.value).replace(str(tmp_path), "F")

    (tmp_path / "text").write_text("hello")
    certificate, _ = papers.pair("bench")
    _, foreign = papers.pair("other")
    locked = tmp_path / "locked"
    words = ["openssl", "pkcs8", "-topk8", "-in", str(foreign), "-out", str(locked), "-passout", "pass:hush"]
    subprocess.run(words, check=True, timeout=30)
    text, missing = tmp_path / "text", tmp_path / "missing"
    assert says(ca=text) == "F/text: cannot be used; name a file with the authority's certificate (PEM)"
    assert says(ca=missing) == "F/missing: No such file or directory; make the file, or name the right one"
    assert says(certificate=missing).startswith("F/missing: No such file")
    assert says(certificate=certificate, key=missing).startswith("F/missing: No such file")
    assert says(certificate=certificate, key=text).startswith("F/text: cannot be used; name the key, without a passph")
    assert says(certificate=certificate, key=locked).startswith("F/locked: cannot be used; name the key, without a pas")
    assert says(certificate=certificate, key=foreign).startswith(f"{foreign}: cannot be used; name the key, without a")


@pytest.mark.parametrize(
    ("heard", "says"),
    [
        ("[SSL: TLSV1_ALERT_UNKNOWN_CA] tlsv1 alert unknown ca", "does not know the authority of our certificate"),
        ("[SSL: SSLV3_ALERT_CERTIFICATE_EXPIRED]", "our certificate (tls.certificate) has expired"),
        ("[SSL: SSLV3_ALERT_CERTIFICATE_REVOKED]", "our certificate (tls.certificate) was revoked"),
        ("[SSL: WRONG_VERSION_NUMBER]", "does not speak TLS on that port"),
        ("[SSL: TLSV1_ALERT_PROTOCOL_VERSION]", "does not speak TLS 1.2 or newer"),
    ],
)
def test_what_tls_says_by_itself_is_put_in_words(heard: str, says: str) -> None:
    assert says in reasons.of_a_closed_door(wanted(1883, "tls = {}\n"), heard, greeted=False)
