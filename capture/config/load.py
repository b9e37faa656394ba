"""Reads the file, checks each table by itself and the tables against each other, and names every fault by its line."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeGuard

from pydantic import ValidationError

from capture.config.destinations import Destination, FolderDestination, MqttDestination
from capture.config.model import STANDARD_BAUDS, Analyser, Bench, File, Log, Purpose, Scanner, form_of, usual_baud
from capture.config.words import said_of_all, shown
from capture.errors import ConfigError
from drivers.tomltext import Document, TomlError, read_toml

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

DEFAULT_PATH = Path("/etc/tidewire/tidewire.toml")
_MOST_BYTES = 1_000_000  # a configuration is a few kilobytes; more is another file, named by mistake


@dataclass(frozen=True, slots=True)
class Config:
    """A configuration that can be used. `text` is the file as read and `sha256` its digest (hex): the journal keeps both."""

    path: Path
    text: str
    sha256: str
    bench: Bench
    analysers: tuple[Analyser, ...]
    scanners: tuple[Scanner, ...]
    destinations: tuple[Destination, ...]
    log: Log

    def purpose_of(self, analyser: Analyser) -> Purpose:
        """What the streams of this analyser's wire are for. A port without a wire says its own (`Opened.purpose`)."""
        return analyser.purpose or self.bench.purpose

    def where(self, *path: str | int) -> str:
        """`FILE, line 12, analyser.1.driver` for a path of keys (places in arrays from 0), to begin an error with."""
        return read_toml(self.text, str(self.path)).where(path)

    def remarks(self) -> list[str]:
        """What is allowed and yet worth a look, a line each, for `tidewire check`."""
        found = []
        lines = [(f"analyser {each.id}", each.port, each.serial.baud) for each in self.analysers]
        lines += [(f"scanner {each.id}", each.port, each.serial.baud) for each in self.scanners]
        for about, port, rate in lines:
            if rate is not None and rate not in STANDARD_BAUDS:
                found.append(f"{about}: {rate} baud is unusual; is {usual_baud(rate)} meant?")
            if port.startswith(("/dev/ttyUSB", "/dev/ttyACM")):
                found.append(
                    f"{about}: {port} may be another device after replugging; "
                    f"name its link in /dev/serial/by-path/ instead"
                )
        found += [
            remark for each in self.destinations if isinstance(each, MqttDestination) for remark in _about_broker(each)
        ]
        return found


def load(path: Path) -> Config:
    """Read the configuration; raises ConfigError with the first fault."""
    return parse(_text_of(path), path)


def problems(path: Path) -> list[str]:
    """All faults of the file, a line each, in order; empty: it can be used."""
    try:
        return _checked(read_toml(_text_of(path), str(path)))[1]
    except (ConfigError, TomlError) as error:
        return [str(error)]


def parse(text: str, path: Path) -> Config:
    """As `load`, from text that was read already; `path` is what errors call it."""
    try:
        file, faults = _checked(read_toml(text, str(path)))
    except TomlError as error:
        raise ConfigError(str(error)) from error
    if faults or file is None:
        raise ConfigError(faults[0])
    digest = hashlib.sha256(text.encode()).hexdigest()
    return Config(path, text, digest, file.bench, file.analyser, file.scanner, file.destination, file.log)


def _text_of(path: Path) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(_MOST_BYTES + 1)
    except FileNotFoundError:
        raise ConfigError(f"{path}: no such file; write one, or name another with --config FILE") from None
    except IsADirectoryError:
        raise ConfigError(f"{path} is a folder; name the file in it with --config FILE") from None
    except PermissionError:
        raise ConfigError(f"{path}: permission denied; allow it with `sudo chmod a+r {path}`") from None
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read ({error.strerror}); name another with --config FILE") from error
    if len(data) > _MOST_BYTES:
        raise ConfigError(
            f"{path}: larger than {_MOST_BYTES} bytes, no configuration; name the right file with --config FILE"
        )
    try:
        return data.decode()
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise ConfigError(f"{path}, line {line}: not UTF-8 text; save the file as UTF-8") from None


def _checked(document: Document) -> tuple[File | None, list[str]]:
    # TOML's arrays are lists; frozen models hold tuples.
    data = {key: tuple(value) if isinstance(value, list) else value for key, value in document.data.items()}
    file: File | None = None
    try:
        file = File.model_validate(data)
        faults = list(_against_each_other(file))
    except ValidationError as error:
        faults = said_of_all(error.errors(include_url=False))
    faults.sort(key=lambda fault: document.line_of(fault[0]))
    lines = [f"{document.where(path)}: {words}" for path, words in faults]
    return file, ["".join(each if each.isprintable() else "?" for each in line) for line in lines]


def _against_each_other(file: File) -> Iterator[tuple[tuple[str | int, ...], str]]:
    if not file.analyser:
        yield (), 'no analyser; write [[analyser]] with id = "h2-a", port = "/dev/ttyUSB0", driver = "delimited-line"'
    analysers = [("analyser", n) for n in range(len(file.analyser))]
    destinations = [("destination", n) for n in range(len(file.destination))]
    yield from _twice(analysers, "id", [each.id for each in file.analyser], "each analyser needs its own id")
    scanners = [("scanner", n) for n in range(len(file.scanner))]
    ports = [each.port for each in file.analyser] + [each.port for each in file.scanner]
    yield from _twice(scanners, "id", [each.id for each in file.scanner], "each scanner needs its own id")
    yield from _twice([*analysers, *scanners], "port", ports, _ONE_PORT, _device)
    yield from _twice(
        destinations, "name", [each.name for each in file.destination], "each destination needs its own name"
    )
    folders = {at: each for at, each in zip(destinations, file.destination, strict=True) if _is_folder(each)}
    paths = [str(each.path) for each in folders.values()]
    yield from _twice(list(folders), "path", paths, "each destination needs its own folder", os.path.realpath)
    journal = os.path.realpath(file.bench.data)
    for at, path in zip(folders, paths, strict=True):
        if os.path.realpath(path) == journal:
            yield (*at, "path"), f"is {shown(path)}, the folder of the journal (bench.data); name another"
    yield from _brokers(file)


def _brokers(file: File) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Two destinations at one broker share neither topics nor client ids."""
    topics: dict[tuple[str, int, str], int] = {}
    clients: dict[tuple[str, int, str], int] = {}
    for n, each in enumerate(file.destination):
        if not isinstance(each, MqttDestination):
            continue
        broker = each.host.lower(), each.at_port
        earlier = topics.setdefault((*broker, each.prefix), n)
        if earlier != n:
            words = f"is {shown(each.prefix)}, as that of destination {earlier + 1} at the same broker; {_OWN_TOPICS}"
            yield ("destination", n, "prefix"), words
        earlier = n if each.client_id is None else clients.setdefault((*broker, each.client_id), n)
        if earlier != n:
            words = f"{shown(each.client_id)} is that of destination {earlier + 1} too; {_OWN_CLIENT}"
            yield ("destination", n, "client_id"), words


def _about_broker(each: MqttDestination) -> Iterator[str]:
    if each.version == "3.1.1":
        yield (
            f'destination {each.name}: with version = "3.1.1" a broker cannot say that it refused a record, or that '
            f'nobody listens; both count as sent. Write version = "5" if the broker can'
        )
    if each.tls is None and (each.password_file or each.credential):
        yield f"destination {each.name}: the password goes over the network readable for all; write tls = {{ … }}"


def _is_folder(each: Destination) -> TypeGuard[FolderDestination]:
    return isinstance(each, FolderDestination)


_OWN_TOPICS = "their records would mix; give each its own prefix"
_OWN_CLIENT = "a broker lets only one connection keep a client id; give each its own, or leave it out"
_ONE_PORT = "two readers would each get half the bytes; give each its own port"


def _device(port: str) -> str:
    """The same for two addresses of one device or file, whatever links lead to it."""
    form = form_of(port)
    return port if form == "stdin" else os.path.realpath(port.removeprefix("recording:"))


def _twice(
    tables: Sequence[tuple[str, int]],
    key: str,
    values: Sequence[str],
    cure: str,
    same: Callable[[str], str] = str,
) -> Iterator[tuple[tuple[str | int, ...], str]]:
    first: dict[str, int] = {}
    for place, ((table, n), value) in enumerate(zip(tables, values, strict=True)):
        earlier = first.setdefault(same(value), place)
        if earlier != place:
            also = "" if value == values[earlier] else f" under another name ({shown(values[earlier])})"
            other, number = tables[earlier]
            yield (table, n, key), f"{shown(value)} is that of {other} {number + 1} too{also}; {cure}"
