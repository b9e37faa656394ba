"""A driver is found by its name, in one place only, or the error says what to do."""

from __future__ import annotations

from importlib.metadata import EntryPoint
from typing import TYPE_CHECKING

import pytest

from drivers import registry
from drivers.registry import DriverError
from drivers.sheet.loader import SheetError

if TYPE_CHECKING:
    from pathlib import Path

    from drivers.contract import Driver

SOURCE = (registry.SHEETS / "delimited-line" / "sheet.toml").read_text(encoding="utf-8")
OWN = SOURCE.replace('"delimited-line"', '"own-line"')

given_driver = registry.driver_from_text(OWN.replace("own-line", "given"), "given")


def give() -> Driver:
    return given_driver


def fail() -> Driver:
    raise OSError("no licence file")


def entries(monkeypatch: pytest.MonkeyPatch, **named: str) -> None:
    """Pretend that packages of others are installed: name -> attribute of this module."""
    found = tuple(
        EntryPoint(name.replace("_", "-"), f"{__name__}:{value}", registry.GROUP) for name, value in named.items()
    )
    monkeypatch.setattr(registry, "entry_points", lambda group: found if group == registry.GROUP else ())
    monkeypatch.setattr(EntryPoint, "load", lambda self: globals()[self.attr])


def test_the_built_in_drivers_are_listed_without_being_loaded() -> None:
    drivers = registry._Builtin(registry.SHEETS)
    assert list(drivers) == sorted(path.parent.name for path in registry.SHEETS.glob("*/sheet.toml"))
    assert {"delimited-line", "example", "label-block"} <= set(drivers)
    assert len(drivers) == len(list(registry.SHEETS.glob("*/sheet.toml")))
    assert "label-block" in drivers
    assert drivers._loaded == {}
    assert drivers["label-block"].name == "label-block"
    assert drivers["label-block"] is drivers["label-block"]
    assert list(drivers._loaded) == ["label-block"]
    assert drivers.get("nothing") is None


def test_a_built_in_driver_says_what_it_is() -> None:
    line, block = registry.find("delimited-line"), registry.builtin()["label-block"]
    assert (str(line.serial), line.announces_start, line.shortest_cycle_s, line.may_write) == (
        "9600 8N1",
        False,
        None,
        False,
    )
    assert (str(block.serial), block.announces_start) == ("19200 8N1", True)
    assert line.source == SOURCE
    assert len(line.sha256) == 64


@pytest.mark.parametrize("place", ["own-line.toml", "own-line/sheet.toml"])
def test_a_sheet_of_the_site_is_found(tmp_path: Path, place: str) -> None:
    (tmp_path / place).parent.mkdir(exist_ok=True)
    (tmp_path / place).write_text(OWN, encoding="utf-8")
    assert registry.find("own-line", tmp_path).source == OWN
    assert registry.find("label-block", tmp_path).name == "label-block"


def test_a_package_of_others_gives_a_driver_or_a_function(monkeypatch: pytest.MonkeyPatch) -> None:
    entries(monkeypatch, given="given_driver")
    assert registry.find("given") is given_driver
    entries(monkeypatch, given="give")
    assert registry.find("given") is given_driver


def test_a_package_that_fails_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    entries(monkeypatch, given="fail", text="str", other="given_driver")
    with pytest.raises(DriverError, match=r":fail cannot be loaded \(OSError\('no licence file'\)\); repair"):
        registry.find("given")
    with pytest.raises(DriverError, match='driver "other" calls itself "given"'):
        registry.find("other")
    monkeypatch.setattr(EntryPoint, "load", lambda _: str)
    with pytest.raises(DriverError, match=":str gives no Driver"):
        registry.find("text")


def test_a_name_in_two_places_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "delimited-line.toml").write_text(SOURCE, encoding="utf-8")
    with pytest.raises(
        DriverError, match=r"is there twice: built in \(sheets/delimited-line\) and .*; a name is a contract"
    ):
        registry.find("delimited-line", tmp_path)
    (tmp_path / "own-line").mkdir()
    for place in ("own-line.toml", "own-line/sheet.toml"):
        (tmp_path / place).write_text(OWN, encoding="utf-8")
    with pytest.raises(DriverError, match="is there twice"):
        registry.find("own-line", tmp_path)
    entries(monkeypatch, label_block="given_driver")
    with pytest.raises(DriverError, match=r"is there twice: built in .* and package entry"):
        registry.find("label-block")


def test_an_unknown_name_is_answered_with_the_nearest(tmp_path: Path) -> None:
    with pytest.raises(DriverError, match=r'no driver "delimited-lin"; did you mean "delimited-line"\?'):
        registry.find("delimited-lin")
    with pytest.raises(DriverError, match=r'no driver "x" \(looked in .*\); known: .*counted-frame, delimited-line, '):
        registry.find("x", tmp_path / "not there")


def test_a_sheet_that_calls_itself_otherwise_is_refused(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(OWN, encoding="utf-8")
    with pytest.raises(DriverError, match='driver "mine" calls itself "own-line"; give both the same name'):
        registry.find("mine", tmp_path)


def test_a_sheet_file_that_cannot_be_read_is_an_error_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(DriverError, match="cannot be read"):
        registry.load_sheet(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b"sheet = 1\n# \xe9\n")
    with pytest.raises(DriverError, match=r"latin.toml, line 2: not UTF-8 text; save the sheet as UTF-8"):
        registry.load_sheet(tmp_path / "latin.toml")
    (tmp_path / "bad.toml").write_text("sheet = 2\n", encoding="utf-8")
    with pytest.raises(SheetError, match=r"bad.toml, line 1"):
        registry.load_sheet(tmp_path / "bad.toml")


@pytest.mark.parametrize("entries_text", [b"[tidewire.drivers]\nno entry at all\n", b"\xff\xfe"])
def test_a_package_whose_entries_cannot_be_read_hides_nothing_and_is_named_where_a_driver_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, entries_text: bytes
) -> None:
    for name, text in (("spoilt", entries_text), ("good", b"[tidewire.drivers]\ngood-line = tidewire_good:DRIVER\n")):
        info = tmp_path / f"{name}-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n", encoding="utf-8")
        (info / "entry_points.txt").write_bytes(text)
    monkeypatch.syspath_prepend(tmp_path)
    assert registry.find("delimited-line").name == "delimited-line"
    with pytest.raises(DriverError, match=r"tidewire_good:DRIVER cannot be loaded \(ModuleNotFoundError"):
        registry.find("good-line")
    with pytest.raises(DriverError, match=r"; the entry points of package spoilt cannot be read, repair it$"):
        registry.find("other-line")
