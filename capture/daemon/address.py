"""Where the control socket of a bench is: one per data folder, so that several benches can share a machine.

The folder: systemd's RuntimeDirectory, else /run/tidewire, else the user's own runtime folder, else one below the
temporary folder that only this user can enter. The service takes the first it can write to; a command the first in
which the socket is. A folder that this user may not enter is passed over by both, so that the service of an ordinary
user and this user's commands meet even where /run/tidewire is another's.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path

SYSTEM = Path("/run/tidewire")


def _folders() -> list[Path]:
    named = [Path(name) for name in os.environ.get("RUNTIME_DIRECTORY", "").split(":") if name]
    own = os.environ.get("XDG_RUNTIME_DIR")
    return [
        *named,
        SYSTEM,
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
            mine = os.access(folder, os.W_OK | os.X_OK) and folder.stat().st_uid in (0, os.getuid())
        except OSError:
            continue
        if mine:
            return folder / _name(data)
    raise OSError("no folder for the control socket: /run/tidewire cannot be made, and there is no runtime folder")


def to_ask(data: Path) -> Path | None:
    """The socket of a running service of this data folder, or None: none is to be seen (see `barred`)."""
    return next((folder / _name(data) for folder in _folders() if _there(folder / _name(data))), None)


def barred() -> Path | None:
    """The first folder that is there and that this user may not enter: a service may be there unseen."""
    return next(
        (folder for folder in _folders() if _there(folder) is not False and not os.access(folder, os.X_OK)), None
    )


def _there(path: Path) -> bool | None:
    """Whether the path exists; None where this user may not see it."""
    try:
        path.stat()
    except PermissionError:
        return None  # Path.exists would raise it
    except OSError:
        return False
    return True
