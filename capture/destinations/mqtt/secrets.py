"""User, password and TLS: read anew for each connection, so that a renewed certificate or password needs no restart.

Rules of the room:
- A secret is never logged and never in a message: errors name the file, not what stands in it.
- TLS 1.2 at least, the broker's certificate and its name always checked; there is no way to skip that.
"""

from __future__ import annotations

import os
import ssl
import stat
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.errors import DestinationDown

if TYPE_CHECKING:
    from capture.config import MqttDestination, TlsTable

_LONGEST = 65_535  # bytes of a password in CONNECT (MQTT 5.0 §3.1.3.6)
CREDENTIALS = "CREDENTIALS_DIRECTORY"


def login(wanted: MqttDestination) -> tuple[str | None, str | None]:
    """User and password, or None where there is none. Raises DestinationDown with the cure."""
    path = secret_file(wanted)
    if path is None:
        return wanted.user, None
    lines = _text_of(path).splitlines()
    if wanted.user is not None and len(lines) == 1:
        return wanted.user, lines[0]
    if wanted.user is None and len(lines) == 2:
        return lines[0], lines[1]
    wants = (
        "one line, the password" if wanted.user is not None else "two lines, user and password (no user is configured)"
    )
    raise DestinationDown(f"{path}: has {len(lines)} lines; write {wants}")


def secret_file(wanted: MqttDestination) -> Path | None:
    """The file with the password; None: none is wanted. Raises DestinationDown where the credential was not given."""
    if wanted.credential is None:
        return wanted.password_file
    folder = os.environ.get(CREDENTIALS)
    if not folder:
        raise DestinationDown(
            f"credential {wanted.credential}: this service was given none; write LoadCredential={wanted.credential}:/PATH "
            f"into its unit, or use password_file"
        )
    return Path(folder) / wanted.credential


def readable_by_others(path: Path) -> bool:
    """Whether users other than the file's owner and group may read it."""
    return bool(path.stat().st_mode & stat.S_IROTH)


def _text_of(path: Path) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(2 * _LONGEST)
        return data.decode()
    except OSError as error:
        raise DestinationDown(f"{path}: {error.strerror}; {_cure(error)}") from None
    except UnicodeDecodeError:
        raise DestinationDown(f"{path}: is no UTF-8 text; write the password as one line of text") from None


def _cure(error: OSError) -> str:
    if isinstance(error, PermissionError):
        return "let the service's user read it, and nobody else"
    return "make the file, or name the right one"


class Context(ssl.SSLContext):
    """For one connection. `name`: asks for, and checks, another name than the one that was dialled.

    (A broker may be reached by its address, or through a tunnel.)
    """

    name: str | None = None
    _made: ssl.SSLSocket | None = None

    def wrap_socket(self, sock: Any, *given: Any, **named: Any) -> ssl.SSLSocket:  # noqa: ANN401 - as ssl's own
        """As ssl's, with our name in place of the one that was dialled."""
        if self.name is not None:
            named["server_hostname"] = self.name
        self._made = super().wrap_socket(sock, *given, **named)
        return self._made

    def abandon(self) -> None:
        """Close what was made: paho forgets the socket of a handshake that failed, and does not close it."""
        if self._made is not None:
            self._made.close()


def tls_context(table: TlsTable) -> Context:
    """A TLS context as the table says. Raises DestinationDown with file and cure."""
    context = Context(ssl.PROTOCOL_TLS_CLIENT)  # certificate required, name checked: that protocol's defaults
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.name = table.server_name
    if table.ca is None:
        context.load_default_certs()
    else:
        _load(
            table.ca, "a file with the authority's certificate (PEM)", lambda: context.load_verify_locations(table.ca)
        )
    if table.certificate is not None:
        certificate, key = table.certificate, table.key
        for path in (certificate, key):
            if path is not None:
                _load(path, "a certificate or key (PEM)", path.read_bytes)  # load_cert_chain does not say which failed
        _load(
            key or certificate,
            f"the key, without a passphrase, of {certificate}",
            lambda: context.load_cert_chain(certificate, key, password=_no_passphrase),
        )
    return context


def _no_passphrase() -> str:
    """Instead of a prompt at a terminal that a service does not have."""
    return ""


def _load(path: Path, wanted: str, load: Any) -> None:  # noqa: ANN401 - any of ssl's loaders
    try:
        load()
    except ssl.SSLError:
        raise DestinationDown(f"{path}: cannot be used; name {wanted}") from None
    except OSError as error:
        raise DestinationDown(f"{path}: {error.strerror}; {_cure(error)}") from None
