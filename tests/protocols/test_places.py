"""Where a protocol comes from: the site's folder first, then the templates."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from capture.errors import ConfigError, UsageError
from capture.protocols import TEMPLATES, cautions_left_out, every, find, read

if TYPE_CHECKING:
    from pathlib import Path

OURS = 'name="{}"\nversion="7"\ntitle="Ours"\nperson="any"\nbaseline={{source="s"}}\npoints={{source="s"}}\n'


def put(folder: Path, name: str, text: str | None = None) -> Path:
    path = folder / f"{name}.toml"
    path.write_text(OURS.format(name) if text is None else text, encoding="utf-8")
    return path


def test_without_a_folder_there_are_the_templates() -> None:
    assert find("lactose").title == "Lactose, adult"


def test_a_sites_protocol_is_found_beside_the_templates(tmp_path: Path) -> None:
    put(tmp_path, "our-own")
    assert find("our-own", tmp_path).version == "7"
    assert find("lactose", tmp_path).title == "Lactose, adult"


def test_a_sites_protocol_takes_the_place_of_the_template_of_its_name(tmp_path: Path) -> None:
    put(tmp_path, "lactose")
    assert find("lactose", tmp_path).title == "Ours"
    (found,) = [each for each in every(tmp_path) if each.name == "lactose"]
    assert not found.template
    assert found.path == tmp_path / "lactose.toml"


def test_a_file_is_read_anew_each_time(tmp_path: Path) -> None:
    path = put(tmp_path, "our-own")
    before = find("our-own", tmp_path)
    path.write_text(path.read_text(encoding="utf-8").replace('"7"', '"8"'), encoding="utf-8")
    assert (before.version, find("our-own", tmp_path).version) == ("7", "8")


def test_an_unknown_name_brings_the_nearest(tmp_path: Path) -> None:
    put(tmp_path, "our-own")
    with pytest.raises(UsageError, match=r'no protocol "lactos" among the templates; did you mean "lactose"\?'):
        find("lactos")
    with pytest.raises(UsageError, match=r'did you mean "our-own"\?'):
        find("our_own", tmp_path)
    with pytest.raises(UsageError, match="there are: fasting, free, fructose, glucose, lactose, lactulose, our-own"):
        find("zzz", tmp_path)


@pytest.mark.parametrize("name", ["../lactose", "/etc/passwd", "", ".", "lactose.toml"])
def test_a_name_is_never_a_path(name: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no protocol"):
        find(name, tmp_path)


def test_a_file_calls_itself_by_its_name(tmp_path: Path) -> None:
    put(tmp_path, "ours", OURS.format("theirs"))
    with pytest.raises(ConfigError, match=r'ours.toml: calls itself "theirs"; name the file theirs.toml'):
        find("ours", tmp_path)


def test_one_bad_file_hides_no_other(tmp_path: Path) -> None:
    put(tmp_path, "bad", "name = 1")
    put(tmp_path, "good")
    found = {each.name: each for each in every(tmp_path)}
    assert found["good"].protocol is not None
    assert found["bad"].protocol is None
    assert "bad.toml, line 1, name: is 1" in str(found["bad"].wrong)


def test_a_folder_that_is_not_there_has_no_protocols(tmp_path: Path) -> None:
    assert [each.name for each in every(tmp_path / "gone")] == [each.name for each in every()]


def test_what_is_no_text_or_no_protocol_is_refused_with_the_cure(tmp_path: Path) -> None:
    (tmp_path / "latin.toml").write_bytes(b'name = "x"\n# \xe4\n')
    with pytest.raises(ConfigError, match=r"latin.toml, line 2: not UTF-8 text; save the file as UTF-8"):
        find("latin", tmp_path)
    (tmp_path / "huge.toml").write_bytes(b"#" * 200_001)
    with pytest.raises(ConfigError, match=r"huge.toml: larger than 200000 bytes, no protocol"):
        find("huge", tmp_path)
    (tmp_path / "folder.toml").mkdir()
    with pytest.raises(ConfigError, match=r"folder.toml: cannot be read \(Is a directory\)"):
        find("folder", tmp_path)
    with pytest.raises(ConfigError, match=r"gone.toml: cannot be read \(No such file or directory\)"):
        read(tmp_path / "gone.toml")


def test_a_copied_template_needs_only_an_approval(tmp_path: Path) -> None:
    text = (TEMPLATES / "lactose.toml").read_text(encoding="utf-8")
    approved = 'approved = { by = "Dr A. Example", on = 2026-11-20 }\n'
    put(tmp_path, "lactose", text.replace("\n[substrate]", f"{approved}\n[substrate]", 1))
    read = find("lactose", tmp_path)
    assert read.approved is not None
    assert read.approved.by == "Dr A. Example"


def test_cautions_left_out_are_those_of_the_template_for_the_same_substrate(tmp_path: Path) -> None:
    text = (TEMPLATES / "fructose.toml").read_text(encoding="utf-8").replace('name = "fructose"', 'name = "ours"', 1)
    put(tmp_path, "ours", text)
    assert cautions_left_out(find("ours", tmp_path)) == ()
    put(tmp_path, "ours", text.replace("hereditary fructose intolerance", "an intolerance"))
    (left,) = cautions_left_out(find("ours", tmp_path))
    assert "hereditary fructose intolerance" in left


def test_where_no_template_has_the_substrate_nothing_is_called_left_out(tmp_path: Path) -> None:
    text = (TEMPLATES / "fructose.toml").read_text(encoding="utf-8").replace('"fructose"', '"xylose"')
    put(tmp_path, "xylose", text.replace("[[cautions]]", "[[questions]]").replace("\ntext = ", "\nask = "))
    assert find("xylose", tmp_path).cautions == ()
    assert cautions_left_out(find("xylose", tmp_path)) == ()
    assert cautions_left_out(find("free")) == ()
