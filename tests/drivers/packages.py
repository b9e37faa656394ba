"""Packages of others, really installed: wheels made by hand, put into a folder by pip without any network."""

from __future__ import annotations

import base64
import hashlib
import subprocess
import sys
import zipfile
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path


def wheel(folder: Path, name: str, module: str, entries: str) -> Path:
    """A wheel (PEP 427) of one module, `name` with underscores, and its entries in the group of drivers."""
    own, info = name.replace("-", "_"), f"{name.replace('-', '_')}-1.0.dist-info"
    files = {
        f"{own}.py": module,
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: by-hand\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        f"{info}/entry_points.txt": f"[tidewire.drivers]\n{entries}\n",
    }
    record = "".join(f"{path},{_digest(text)},{len(text.encode())}\n" for path, text in files.items())
    path = folder / f"{own}-1.0-py3-none-any.whl"
    with zipfile.ZipFile(path, "w") as made:
        for each, text in {**files, f"{info}/RECORD": f"{record}{info}/RECORD,,\n"}.items():
            made.writestr(each, text)
    return path


def install(wheels: Iterable[Path], site: Path) -> None:
    """Have pip install them into the folder `site`, for a process that has it in PYTHONPATH."""
    words = ["install", "--quiet", "--no-index", "--no-deps", "--disable-pip-version-check", "--no-input"]
    words += ["--root-user-action", "ignore", "--target", str(site)]
    subprocess.run([sys.executable, "-m", "pip", *words, *map(str, wheels)], check=True)


def _digest(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return f"sha256={base64.urlsafe_b64encode(digest).rstrip(b'=').decode()}"
