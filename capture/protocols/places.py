"""Finds a protocol by name: in the site's folder, else among the templates."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from capture.errors import ConfigError, UsageError
from capture.protocols.load import load
from drivers.tomltext import nearest

if TYPE_CHECKING:
    from capture.record.protocol import Protocol

TEMPLATES = Path(__file__).parent / "templates"
_MOST_BYTES = 200_000  # a protocol is a few kilobytes


@dataclass(frozen=True, slots=True)
class Found:
    """One protocol there is. `protocol` None: it cannot be used, and `wrong` says why; `template`: it came with this."""

    name: str
    path: Path
    template: bool
    protocol: Protocol | None
    wrong: str | None = None


def find(name: str, folder: Path | None = None) -> Protocol:
    """The protocol of this name, from the site's folder or the templates. Raises UsageError, ConfigError."""
    places = _places(folder)
    if name not in places:
        near = nearest(name, places)
        looked = f" in {folder} or among the templates" if folder is not None else " among the templates"
        cure = f'did you mean "{near}"?' if near else f"there are: {', '.join(sorted(places))}"
        raise UsageError(f'no protocol "{name}"{looked}; {cure}')
    return read(places[name])


def every(folder: Path | None = None) -> tuple[Found, ...]:
    """All protocols there are, in order of name, those that cannot be used too."""
    found = []
    for name, path in sorted(_places(folder).items()):
        template = path.parent == TEMPLATES
        try:
            found.append(Found(name, path, template, read(path)))
        except ConfigError as error:
            found.append(Found(name, path, template, None, str(error)))
    return tuple(found)


def cautions_left_out(protocol: Protocol) -> tuple[str, ...]:
    """The cautions of the template for this substrate that this protocol does not have.

    Compared word for word: a caution that says it otherwise is named too, for a person to judge.
    """
    if protocol.substrate is None:
        return ()
    path = _places(None).get(protocol.substrate.name)
    said = {each.text for each in protocol.cautions}
    return () if path is None else tuple(each.text for each in read(path).cautions if each.text not in said)


def read(path: Path) -> Protocol:
    """The protocol of a file, whose name is the protocol's. Raises ConfigError."""
    try:
        with path.open("rb") as file:
            data = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read ({error.strerror}); give the service's user the right") from None
    if len(data) > _MOST_BYTES:
        raise ConfigError(f"{path}: larger than {_MOST_BYTES} bytes, no protocol; take it out of the folder")
    try:
        # Decoded here, not by text mode: line ends stay as they are, and the digest is that of the file itself.
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise ConfigError(f"{path}, line {line}: not UTF-8 text; save the file as UTF-8") from None
    protocol = load(text, str(path))
    if protocol.name != path.stem:
        raise ConfigError(f'{path}: calls itself "{protocol.name}"; name the file {protocol.name}.toml')
    return protocol


def _places(folder: Path | None) -> dict[str, Path]:
    """Names and files; a site's file stands in the place of a template. A folder that is not there has none."""
    found = {path.stem: path for path in TEMPLATES.glob("*.toml")}
    if folder is not None:
        found |= {path.stem: path for path in folder.glob("*.toml")}
    return found
