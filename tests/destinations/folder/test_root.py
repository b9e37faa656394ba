"""The folder itself is never made: where it vanished, there is another place now."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from capture.destinations.folder.write import Writer

if TYPE_CHECKING:
    from pathlib import Path


def test_a_folder_that_vanishes_in_mid_write_is_not_made_anew(tmp_path: Path) -> None:
    root = tmp_path / "breath"
    writer = Writer(root)

    with pytest.raises(FileNotFoundError) as error:
        writer.make(root / "readings" / "2026-11-24")

    assert error.value.filename == str(root)
    assert not root.exists()
