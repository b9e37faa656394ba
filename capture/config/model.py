"""The tables of the configuration as frozen models: what may stand in each, and what is refused by itself.

Rules of the room:
- A field's name is its key in TOML (`from` and `as`, reserved in Python, by alias). Its first example is the cure that
  an error message quotes.
- A default is written here and nowhere else.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Any, Literal, TypeAlias
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from drivers.contract import Parity, SerialSettings
from drivers.tomltext import nearest

Purpose: TypeAlias = Literal["production", "training"]
PortForm: TypeAlias = Literal["tty", "recording", "stdin"]

PORT_FORMS = 'a device path such as "/dev/ttyUSB0", "recording:/path/to/file.txt", or "stdin"'
"""The forms of a port's address there are, as an error message lists them."""

STANDARD_BAUDS = (300, 600, 1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 115200, 230400, 460800, 921600)
"""The usual rates. Others are taken too, there are instruments that use them, but `Config.remarks` mentions them."""

_SLOWEST, _FASTEST = 50, 4_000_000
_ID = frozenset("abcdefghijklmnopqrstuvwxyz0123456789-")


def form_of(address: str) -> PortForm | None:
    """Which kind of port an address names; None: none that there is."""
    if address == "stdin":
        return "stdin"
    if address.startswith("recording:"):
        return "recording"
    return "tty" if address.startswith("/") else None


def machine_zone(local: Path = Path("/etc/localtime")) -> str:
    """The machine's timezone by its name in the public time zone database; `UTC` where it has none."""
    for named in (os.environ.get("TZ", "").removeprefix(":"), os.path.realpath(local).partition("/zoneinfo/")[2]):
        if named and _is_zone(named):
            return named
    return "UTC"


def usual_baud(rate: int) -> int:
    """The usual rate that lies nearest."""
    return min(STANDARD_BAUDS, key=lambda each: abs(each - rate))


def _id(text: str) -> str:
    if not 1 <= len(text) <= 32 or not _ID.issuperset(text):
        tidy = "".join(each if each in _ID else "-" for each in text.lower())[:32].strip("-") or "h2-a"
        raise ValueError(f'must be 1 to 32 of the characters a-z, 0-9 and "-"; write e.g. "{tidy}"')
    return text


def _absolute(text: str, before: str = "") -> Path:
    if not text or not text.isprintable():
        raise ValueError(f'must be a path of printable characters; write it whole, e.g. "{before}/srv/breath"')
    if not text.startswith("/"):
        raise ValueError(f'must be an absolute path; write it whole, e.g. "{before}{Path("/srv") / Path(text).name}"')
    return Path(os.path.normpath(text))


def _folder(text: str) -> Path:
    path = _absolute(text)
    if os.path.exists(path) and not os.path.isdir(path):  # noqa: PTH110, PTH112 - Path's raise where we may not look
        raise ValueError("is a file, must be a folder; name another path or move the file away")
    return path


def _port(text: str) -> str:
    form = form_of(text)
    if form is None:
        likely = f'; write "/dev/{text.removeprefix("dev/")}"' if text.startswith(("tty", "dev/", "serial/")) else ""
        raise ValueError(f"is no port we know{likely or f'; write {PORT_FORMS}'}")
    if form != "stdin":
        before = "recording:" if form == "recording" else ""
        _absolute(text.removeprefix(before), before)
    return text


def _said(text: str) -> str:
    if not 1 <= len(text) <= 64 or not text.isprintable():
        raise ValueError("must be 1 to 64 printable characters, or be left out")
    return text


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (KeyError, OSError, ValueError):  # unknown; a folder of the database; a path that leaves it
        return False
    return True


def _zone(name: str) -> str:
    if not _is_zone(name):
        like = nearest(name, (each for each in available_timezones() if "/" in each))
        raise ValueError(f'is no timezone we know; write e.g. "{like or "Europe/Zurich"}"')
    return name


def _baud(rate: int) -> int:
    if not _SLOWEST <= rate <= _FASTEST:
        raise ValueError(
            f"must be between {_SLOWEST} and {_FASTEST} bits per second; write e.g. {usual_baud(rate) if rate > 0 else 9600}"
        )
    return rate


def _number(value: object) -> object:
    if isinstance(value, bool | float):  # True is 1 in Python, 1.0 is 1: neither is what the file says
        raise ValueError("must be a whole number")  # noqa: TRY004 - pydantic turns ValueError into its own
    return value


Id = Annotated[str, AfterValidator(_id)]
Said = Annotated[str, AfterValidator(_said)]
Folder = Annotated[Path, BeforeValidator(lambda value: _folder(value) if isinstance(value, str) else value)]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Bench(_Table):
    """`[bench]`: this PC. `data` is the folder of the journal, `sheets` one with the site's own driver sheets."""

    site: Annotated[Id, Field(examples=["north-clinic"])]
    name: Annotated[Id, Field(examples=["bench-1"])]
    data: Annotated[Folder, Field(examples=["/var/lib/tidewire"])]
    timezone: Annotated[str, AfterValidator(_zone), Field(default_factory=machine_zone, examples=["Europe/Zurich"])]
    purpose: Purpose = "training"
    sheets: Folder | None = None


class SerialTable(_Table):
    """`serial = { … }` of an analyser: what differs from the driver's own line settings; None = as the driver says."""

    baud: Annotated[int, BeforeValidator(_number), AfterValidator(_baud)] | None = None
    bits: Annotated[Literal[5, 6, 7, 8], BeforeValidator(_number)] | None = None
    parity: Parity | None = None
    stop: Annotated[Literal[1, 2], BeforeValidator(_number)] | None = None

    @model_validator(mode="after")
    def _possible(self) -> SerialTable:
        if self.bits == 5 and self.stop == 2:
            raise ValueError("5 bits with 2 stop bits does not exist on the wire (it becomes 1.5); write stop = 1")
        return self

    def over(self, base: SerialSettings) -> SerialSettings:
        """The settings of `base` (a driver's) with what this table says put in its place."""
        return SerialSettings(
            baud=base.baud if self.baud is None else self.baud,
            bits=base.bits if self.bits is None else self.bits,
            parity=base.parity if self.parity is None else self.parity,
            stop=base.stop if self.stop is None else self.stop,
        )


class Analyser(_Table):
    """`[[analyser]]`: one instrument. `purpose` None: as the port and the bench say (`Config.purpose_of`)."""

    id: Annotated[Id, Field(examples=["h2-a"])]
    port: Annotated[str, AfterValidator(_port), Field(examples=["/dev/ttyUSB0"])]
    driver: Annotated[Said, Field(examples=["delimited-line"])]
    serial: SerialTable = SerialTable()
    purpose: Purpose | None = None
    may_write: bool = False
    make: Said | None = None
    model: Said | None = None
    serial_number: Said | None = None
    firmware: Said | None = None


class Destination(_Table):
    """`[[destination]]`: where records go, and how they are written."""

    name: Annotated[Id, Field(examples=["files"])]
    kind: Annotated[Literal["folder"], Field(examples=["folder"])]
    path: Annotated[Folder, Field(examples=["/srv/breath"])]
    encoding: Literal["json"] = "json"
    from_: Annotated[Literal["now", "start"], Field(alias="from")] = "now"


class Log(_Table):
    """`[log]`: how much is said, and whether as lines for people or as JSON for machines."""

    level: Literal["debug", "info", "warning", "error"] = "info"
    form: Annotated[Literal["lines", "json"], Field(alias="as")] = "lines"


class File(_Table):
    """The whole file."""

    bench: Bench
    analyser: tuple[Analyser, ...] = ()
    destination: tuple[Destination, ...] = ()
    log: Log = Log()


def table_at(path: tuple[str | int, ...]) -> type[BaseModel]:
    """The model that a path of keys leads into; an array's places are passed over."""
    tables: dict[tuple[Any, ...], type[BaseModel]] = {
        ("bench",): Bench,
        ("analyser",): Analyser,
        ("analyser", "serial"): SerialTable,
        ("destination",): Destination,
        ("log",): Log,
    }
    return tables.get(tuple(each for each in path if isinstance(each, str)), File)
