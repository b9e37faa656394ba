"""`[[destination]]`: one table for each kind there is, told apart by `kind`.

Rules of the room:
- A secret never stands in the file: it names the file, or the systemd credential, that holds it.
- What an MQTT broker could not take (a wildcard in a topic, a name that is an address) is refused here, not there.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from capture.config.fields import FilePath, Folder, Id, Said, Table, whole

PREFIX = "tidewire/1"
"""The first levels of every topic: the program's name and the major version of what is sent there."""

_PLAIN_PORT, _TLS_PORT = 1883, 8883  # IANA: mqtt, secure-mqtt
_LONGEST_PREFIX = 200  # bytes; with site, bench and analyser far from the 65,535 bytes of a topic (MQTT 5.0 §4.7.3)
_CREDENTIAL = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.")


def _mode(text: str) -> str:
    """Three octal digits, a leading 0 allowed: whoever writes a file must be able to read it and write it again."""
    if not 3 <= len(text) <= 4 or not set(text) <= set("01234567") or (len(text) == 4 and text[0] != "0"):
        raise ValueError('must be the permission bits of files in octal; write e.g. "0640"')
    if int(text, 8) & 0o111:
        raise ValueError(f'must be that of files, which nobody executes; write e.g. "{int(text, 8) & 0o666:04o}"')
    if int(text, 8) & 0o600 != 0o600:
        raise ValueError(f'must let the service read and write; write e.g. "{int(text, 8) | 0o600:04o}"')
    return text


def _days(number: int) -> int:
    if not 1 <= number <= 36_500:
        raise ValueError("must be between 1 and 36500 days; write e.g. 90, or leave it out to keep everything")
    return number


def _listed(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


RecordKinds = Annotated[tuple[Literal["reading", "event", "test"], ...], BeforeValidator(_listed), Field(min_length=1)]
"""Which records a destination is for; the others are skipped, and say so in its books."""


class FolderDestination(Table):
    """Files in a folder. `mode`, `group` None: as the service's user and umask leave it; `keep_days` None: for ever."""

    name: Annotated[Id, Field(examples=["files"])]
    kind: Annotated[Literal["folder"], Field(examples=["folder"])]
    path: Annotated[Folder, Field(examples=["/srv/breath"])]
    encoding: Literal["json", "csv"] = "json"
    records: Annotated[RecordKinds | None, Field(examples=[["reading"]])] = None
    from_: Annotated[Literal["now", "start"], Field(alias="from")] = "now"
    mode: Annotated[Annotated[str, AfterValidator(_mode)] | None, Field(examples=["0640"])] = None
    group: Annotated[Said | None, Field(examples=["clinic"])] = None
    keep_days: Annotated[int, BeforeValidator(whole), AfterValidator(_days)] | None = None
    receipts: bool = False


def _host(text: str) -> str:
    if "://" in text:
        raise ValueError('must be a name or an address alone; write e.g. "broker.example" (with tls = { … } for TLS)')
    if text.count(":") == 1:
        name, _, port = text.partition(":")
        raise ValueError(f'must be a name or an address alone; write host = "{name}" and port = {port or _PLAIN_PORT}')
    if not 1 <= len(text) <= 253 or not text.isascii() or not text.isprintable() or set(text) & set(' /@#?"[]'):
        raise ValueError('must be the name or address of the broker; write e.g. "broker.example"')
    return text


def _port(number: int) -> int:
    if not 1 <= number <= 65_535:
        raise ValueError(f"must be between 1 and 65535; write e.g. {_PLAIN_PORT}, or {_TLS_PORT} with TLS")
    return number


def _prefix(text: str) -> str:
    """MQTT 5.0 §4.7: no wildcard, no NUL, UTF-8; `$` at the start belongs to the broker."""
    tidy = "/".join(
        "".join(each for each in level if each not in "+#$" and each.isprintable()) for level in text.split("/")
    )
    cure = f'; write e.g. "{tidy.strip("/") or PREFIX}"'
    if any(each in "+#" for each in text):
        raise ValueError(f'must have no "+" and no "#": they are wildcards of subscribers{cure}')
    if text.startswith("$"):
        raise ValueError(f'must not begin with "$": such topics are the broker\'s own{cure}')
    if not text.isprintable():
        raise ValueError(f"must have printable characters only{cure}")
    if not text or text != text.strip("/") or "//" in text:
        raise ValueError(f'must have text in every level: no "/" at either end, no "//"{cure}')
    if len(text.encode()) > _LONGEST_PREFIX:
        raise ValueError(f'must be at most {_LONGEST_PREFIX} bytes; write e.g. "{PREFIX}"')
    return text


def _window(number: int) -> int:
    if not 1 <= number <= 200:
        raise ValueError("must be between 1 and 200 messages in flight; write e.g. 20")
    return number


def _credential(text: str) -> str:
    """systemd.exec(5), LoadCredential=: the name of a file in $CREDENTIALS_DIRECTORY."""
    if not 1 <= len(text) <= 255 or not _CREDENTIAL.issuperset(text) or text in {".", ".."}:
        raise ValueError('must be the name of a systemd credential (letters, digits, "-", "_", "."); write e.g. "mqtt"')
    return text


class TlsTable(Table):
    """`tls = { … }`: an empty table is TLS with the system's own authorities. There is no way to skip the checks."""

    ca: Annotated[FilePath, Field(examples=["/etc/tidewire/ca.pem"])] | None = None
    server_name: Annotated[str, AfterValidator(_host), Field(examples=["broker.example"])] | None = None
    certificate: Annotated[FilePath, Field(examples=["/etc/tidewire/bench-1.pem"])] | None = None
    key: Annotated[FilePath, Field(examples=["/etc/tidewire/bench-1.key"])] | None = None

    @model_validator(mode="after")
    def _pair(self) -> TlsTable:
        if self.key is not None and self.certificate is None:
            raise ValueError("a key without a certificate proves nothing; write certificate too, or leave key out")
        return self


class MqttDestination(Table):
    """Messages to a broker. None: as `at_port`, `client` and the link say."""

    name: Annotated[Id, Field(examples=["broker"])]
    kind: Annotated[Literal["mqtt"], Field(examples=["mqtt"])]
    host: Annotated[str, AfterValidator(_host), Field(examples=["broker.example"])]
    port: Annotated[int, BeforeValidator(whole), AfterValidator(_port), Field(examples=[1883])] | None = None
    tls: TlsTable | None = None
    user: Annotated[Said, Field(examples=["bench-1"])] | None = None
    password_file: Annotated[FilePath, Field(examples=["/etc/tidewire/mqtt.password"])] | None = None
    credential: Annotated[str, AfterValidator(_credential), Field(examples=["mqtt"])] | None = None
    client_id: Annotated[Said, Field(examples=["bench-1"])] | None = None
    prefix: Annotated[str, AfterValidator(_prefix), Field(examples=[PREFIX])] = PREFIX
    unheard: Literal["wait", "count"] = "wait"
    window: Annotated[int, BeforeValidator(whole), AfterValidator(_window), Field(examples=[20])] = 20
    version: Annotated[Literal["5", "3.1.1"], Field(examples=["5"])] = "5"
    encoding: Literal["json"] = "json"
    records: Annotated[RecordKinds | None, Field(examples=[["reading"]])] = None
    from_: Annotated[Literal["now", "start"], Field(alias="from")] = "now"

    @model_validator(mode="after")
    def _holds_together(self) -> MqttDestination:
        if self.password_file is not None and self.credential is not None:
            raise ValueError("password_file and credential both name the password; leave one of them out")
        if self.version == "3.1.1" and self.unheard == "wait" and "unheard" in self.model_fields_set:
            raise ValueError('with version = "3.1.1" a broker never says that nobody listens; leave unheard out')
        return self

    @property
    def at_port(self) -> int:
        """The port: as written, or the usual one."""
        return self.port or (_PLAIN_PORT if self.tls is None else _TLS_PORT)


Destination = Annotated[FolderDestination | MqttDestination, Field(discriminator="kind")]
KINDS: dict[str, type[Table]] = {"folder": FolderDestination, "mqtt": MqttDestination}
