"""Where the control socket of a bench is: one per data folder, so that several benches can share a machine.

The folder: systemd's RuntimeDirectory, else /run/tidewire, else the user's own runtime folder, else one below the
temporary folder that only this user can enter. The service takes the first it can write to; a command the first in
which the socket is.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path


def _folders() -> list[Path]:
    named = [Path(name) for name in os.environ.get("RUNTIME_DIRECTORY", "").split(":") if name]
    own = os.environ.get("XDG_RUNTIME_DIR")
    return [
        *named,
        Path("/run/tidewire"),
        *([Path(own) / "tidewire"] if own else []),
        Path(tempfile.gettempdir()) / f"tidewire-{os.getuid()}",
    ]


def _name(data: Path) -> str:
    return hashlib.sha256(str(data.resolve()).encode()).hexdigest()[:16] + ".socket"


def to_listen(data: Path) -> Path:
    """Where the service of this data folder listens; makes the folder (0750) if it must."""
    for folder in _folders():
        try:
            folder.mkdir(mode=0o750, exist_ok=True)
        except OSError:
            continue
        if os.access(folder, os.W_OK) and folder.stat().st_uid in (0, os.getuid()):
            return folder / _name(data)
    raise OSError("no folder for the control socket: /run/tidewire cannot be made, and there is no runtime folder")


def to_ask(data: Path) -> Path | None:
    """The socket of a running service of this data folder, or None."""
    return next((folder / _name(data) for folder in _folders() if (folder / _name(data)).exists()), None)
