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

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from capture.config.destinations import KINDS, Destination, TlsTable
from capture.config.fields import Folder, Id, Said, Table, absolute, whole
from drivers.contract import Parity, SerialSettings
from drivers.tomltext import nearest

Purpose: TypeAlias = Literal["production", "training"]
PortForm: TypeAlias = Literal["tty", "recording", "stdin"]

PORT_FORMS = 'a device path such as "/dev/ttyUSB0", "recording:/path/to/file.txt", or "stdin"'
"""The forms of a port's address there are, as an error message lists them."""

STANDARD_BAUDS = (300, 600, 1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 115200, 230400, 460800, 921600)
"""The usual rates. Others are taken too, there are instruments that use them, but `Config.remarks` mentions them."""

_SLOWEST, _FASTEST = 50, 4_000_000
_DAY_S = 86_400


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


def _port(text: str) -> str:
    form = form_of(text)
    if form is None:
        likely = f'; write "/dev/{text.removeprefix("dev/")}"' if text.startswith(("tty", "dev/", "serial/")) else ""
        raise ValueError(f"is no port we know{likely or f'; write {PORT_FORMS}'}")
    if form != "stdin":
        before = "recording:" if form == "recording" else ""
        absolute(text.removeprefix(before), before)
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


def _seconds(number: int) -> int:
    if not 1 <= number <= _DAY_S:
        raise ValueError(f"must be between 1 and {_DAY_S} seconds; write e.g. 600")
    return number


Seconds = Annotated[int, BeforeValidator(whole), AfterValidator(_seconds), Field(examples=[600])]


class Bench(Table):
    """`[bench]`: this PC. `data` is the folder of the journal.

    `sheets`, `protocols`: folders with the site's own driver sheets and protocols. `initials`: every act asks for them.
    """

    site: Annotated[Id, Field(examples=["north-clinic"])]
    name: Annotated[Id, Field(examples=["bench-1"])]
    data: Annotated[Folder, Field(examples=["/var/lib/tidewire"])]
    timezone: Annotated[str, AfterValidator(_zone), Field(default_factory=machine_zone, examples=["Europe/Zurich"])]
    purpose: Purpose = "training"
    sheets: Folder | None = None
    protocols: Folder | None = None
    initials: bool = False


class SerialTable(Table):
    """`serial = { … }` of an analyser: what differs from the driver's own line settings; None = as the driver says."""

    baud: Annotated[int, BeforeValidator(whole), AfterValidator(_baud), Field(examples=[9600])] | None = None
    bits: Annotated[Literal[5, 6, 7, 8], BeforeValidator(whole)] | None = None
    parity: Parity | None = None
    stop: Annotated[Literal[1, 2], BeforeValidator(whole)] | None = None

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


class Analyser(Table):
    """`[[analyser]]`: one instrument. `purpose` None: as the port and the bench say (`Config.purpose_of`).

    `reservation_s`: seconds after which a reservation that nothing filled is void. `expect_within_s`: seconds after which
    its result is overdue; None: it never is.
    """

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
    reservation_s: Seconds = 600
    expect_within_s: Seconds | None = None

    @model_validator(mode="after")
    def _overdue_in_time(self) -> Analyser:
        if self.expect_within_s is not None and self.expect_within_s >= self.reservation_s:
            raise ValueError(
                f"expect_within_s = {self.expect_within_s} is not before reservation_s = {self.reservation_s}: a result would "
                f"never be overdue; write a smaller one, or a longer reservation"
            )
        return self


def _line(text: str) -> str:
    if form_of(text) != "tty":
        raise ValueError('must be a device path such as "/dev/serial/by-path/…"; a scanner that types needs no table')
    return _port(text)


class Scanner(Table):
    """`[[scanner]]`: a barcode scanner on a serial port; what it reads is a label, as if typed at `test desk`."""

    id: Annotated[Id, Field(examples=["desk"])]
    port: Annotated[str, AfterValidator(_line), Field(examples=["/dev/ttyACM0"])]
    serial: SerialTable = SerialTable()

    @property
    def line(self) -> SerialSettings:
        """Its line settings: 9600 8N1 but for what the table says."""
        return self.serial.over(SerialSettings(baud=9600, bits=8, parity="none", stop=1))


class Log(Table):
    """`[log]`: how much is said, and whether as lines for people or as JSON for machines."""

    level: Literal["debug", "info", "warning", "error"] = "info"
    form: Annotated[Literal["lines", "json"], Field(alias="as")] = "lines"


class File(Table):
    """The whole file."""

    bench: Bench
    analyser: tuple[Analyser, ...] = ()
    scanner: tuple[Scanner, ...] = ()
    destination: tuple[Destination, ...] = ()
    log: Log = Log()


def table_at(path: tuple[str | int, ...]) -> type[Table]:
    """The model that a path of keys leads into; an array's places are passed over.

    Below `destination` the path names the kind before the key (as pydantic does: `destination, 0, "mqtt", "host"`).
    """
    names = tuple(each for each in path if isinstance(each, str))
    tables: dict[tuple[Any, ...], type[Table]] = {
        ("bench",): Bench,
        ("analyser",): Analyser,
        ("analyser", "serial"): SerialTable,
        ("scanner",): Scanner,
        ("scanner", "serial"): SerialTable,
        ("destination", "mqtt", "tls"): TlsTable,
        ("log",): Log,
        **{("destination", kind): table for kind, table in KINDS.items()},
    }
    return tables.get(names, File)
