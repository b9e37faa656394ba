"""`tidewire explain … --to FILE --blank-ids`: what its closing line says of frames that were refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers import registry

if TYPE_CHECKING:
    from pathlib import Path

    from tests.commands.conftest import Desk

REFUSED, WHOLE = (str(registry.SHEETS / f"delimited-line/recordings/{each}.txt") for each in ("fault", "breath"))
CURE = "; of what was refused little is left to see: add --keep-unread, and look through the file before you send it.\n"


def test_where_a_refused_frame_was_blanked_the_way_to_keep_it_is_named(desk: Desk, tmp_path: Path) -> None:
    closing = desk.type("explain", REFUSED, "--to", str(tmp_path / "a.txt"), "--blank-ids").output
    kept = desk.type("explain", REFUSED, "--to", str(tmp_path / "b.txt"), "--blank-ids", "--keep-unread").output
    bare = desk.type("explain", REFUSED, "--to", str(tmp_path / "c.txt")).output
    read = desk.type("explain", WHOLE, "--to", str(tmp_path / "d.txt"), "--blank-ids").output

    assert closing.startswith(f"Wrote {tmp_path / 'a.txt'}: ")
    assert closing.endswith(CURE)
    assert not any("--keep-unread" in other for other in (kept, bare, read))
    assert "--keep-unread" not in (tmp_path / "a.txt").read_text(encoding="utf-8")
