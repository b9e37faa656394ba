"""What several tables of the configuration share: their base, and the kinds of value that may stand in them."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict

_ID = frozenset("abcdefghijklmnopqrstuvwxyz0123456789-")


class Table(BaseModel):
    """Base of every table: frozen, no unknown keys, nothing converted."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


def _id(text: str) -> str:
    if not 1 <= len(text) <= 32 or not _ID.issuperset(text):
        tidy = "".join(each if each in _ID else "-" for each in text.lower())[:32].strip("-") or "h2-a"
        raise ValueError(f'must be 1 to 32 of the characters a-z, 0-9 and "-"; write e.g. "{tidy}"')
    return text


def absolute(text: str, before: str = "") -> Path:
    """A path as it is written, whole; `before` is what stands in front of it in the file."""
    if not text or not text.isprintable():
        raise ValueError(f'must be a path of printable characters; write it whole, e.g. "{before}/srv/breath"')
    if not text.startswith("/"):
        raise ValueError(f'must be an absolute path; write it whole, e.g. "{before}{Path("/srv") / Path(text).name}"')
    return Path(os.path.normpath(text))


def _folder(text: str) -> Path:
    path = absolute(text)
    if os.path.exists(path) and not os.path.isdir(path):  # noqa: PTH110, PTH112 - Path's raise where we may not look
        raise ValueError("is a file, must be a folder; name another path or move the file away")
    return path


def _file(text: str) -> Path:
    path = absolute(text)
    if os.path.isdir(path):  # noqa: PTH112 - as above
        raise ValueError("is a folder, must be a file; name the file in it")
    return path


def _said(text: str) -> str:
    if not 1 <= len(text) <= 64 or not text.isprintable():
        raise ValueError("must be 1 to 64 printable characters, or be left out")
    return text


def whole(value: object) -> object:
    """Only what TOML calls an integer."""
    if isinstance(value, bool | float):  # True is 1 in Python, 1.0 is 1: neither is what the file says
        raise ValueError("must be a whole number")  # noqa: TRY004 - pydantic turns ValueError into its own
    return value


Id = Annotated[str, AfterValidator(_id)]
Said = Annotated[str, AfterValidator(_said)]
Folder = Annotated[Path, BeforeValidator(lambda value: _folder(value) if isinstance(value, str) else value)]
FilePath = Annotated[Path, BeforeValidator(lambda value: _file(value) if isinstance(value, str) else value)]
