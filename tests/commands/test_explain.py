"""`tidewire explain` on recordings and on single frames: every byte, every refusal with its rule, and what may be sent."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from capture.commands import main_group
from drivers import recording, registry
from drivers.hearing import heard_bytes

if TYPE_CHECKING:
    from tests.commands.conftest import Desk

GOOD = r"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\n"
SHORT = r"RES;0412;24/11/2026 10:31;B;37;<2\r\n"
SESSION = str(registry.SHEETS / "label-block/recordings/session.txt")
GAPS = str(registry.SHEETS / "gap-frame/recordings/session.txt")

KEYED_IN = """\
sheet = 1
name = "keyed-in"
version = "1.0"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "between", start = "<<", end = ">>", max = 96 }
sum = { kind = "xor8", until = "*", written = "hex2" }
[[message]]
gives = "result"
split = ";"
fields = 4
number = { field = 1 }
subject = { field = 2 }
hydrogen = { field = 3, unit = "ppm" }
"""


@pytest.fixture
def keyed_in(tmp_path: Path) -> str:
    path = tmp_path / "keyed-in.toml"
    path.write_text(KEYED_IN, encoding="utf-8")
    return str(path)


def lines_of(desk: Desk, *words: str) -> list[str]:
    result = desk.type("explain", *words)
    assert result.exit_code == 0, result.output
    return result.output.splitlines()


def test_a_frame_typed_in_is_shown_byte_for_byte(desk: Desk) -> None:
    assert lines_of(desk, "--bytes", GOOD, "--driver", "delimited-line") == [
        "1: result 0412, breath, 2026-11-24 10:31:00: hydrogen 37 ppm, methane <2 ppm (below range), oxygen 16.4 %; no check",
        "Bytes 0-40",
        "  offset  bytes                                            as text           means     said                 sheet line",
        "       0  52 45 53                                         RES               message   RES: gives result    8",
        "       3  3b                                               ;                 marks     ;                    -",
        "       4  30 34 31 32                                      0412              number    0412                 12",
        "       8  3b                                               ;                 marks     ;                    -",
        "       9  32 34 2f 31 31 2f 32 30 32 36 20 31 30 3a 33 31  24/11/2026 10:31  clock     2026-11-24 10:31:00  13",
        "      25  3b                                               ;                 marks     ;                    -",
        "      26  42                                               B                 kind      B: breath            14",
        "      27  3b                                               ;                 marks     ;                    -",
        "      28  33 37                                            37                hydrogen  37 ppm               15",
        "      30  3b                                               ;                 marks     ;                    -",
        "      31  3c 32                                            <2                methane   <2 ppm, below range  16",
        "      33  3b                                               ;                 marks     ;                    -",
        "      34  31 36 2e 34                                      16.4              oxygen    16.4 %               17",
        r"      38  0d 0a                                            ..                end mark  \x0D\x0A             5",
        "",
        "40 bytes in 1 result",
    ]


def test_a_frame_and_a_recording_may_come_from_standard_input(desk: Desk) -> None:
    for words, given in (
        (("--bytes", "-", "--driver", "delimited-line"), f"{GOOD}\n".encode()),
        (("-",), Path(SESSION).read_bytes()),
    ):
        named = (SESSION,) if words == ("-",) else ("--bytes", GOOD, "--driver", "delimited-line")
        piped = CliRunner().invoke(main_group, ["explain", *words], input=given, standalone_mode=False)
        assert piped.output.splitlines() == lines_of(desk, *named)


def test_the_help_shows_each_example_on_a_line_of_its_own(desk: Desk) -> None:
    shown = desk.type("explain", "--help").output

    assert "\n  Examples:\n    tidewire explain caa3a430\n" in shown
    assert f"    tidewire explain --driver delimited-line \\\n      --bytes '{GOOD}'\n" in shown


def test_silence_ends_a_frame_typed_in_for_a_format_that_needs_it(desk: Desk) -> None:
    assert lines_of(desk, "--bytes", "MSG=STA/IS=WARM", "--driver", "gap-frame")[0] == "1: event warming-up"


@pytest.mark.parametrize(
    ("driver", "frame", "first", "why"),
    [
        (
            "delimited-line",
            SHORT,
            "1: refused: bad-field, the sheet says 7 fields, the frame has 6",
            "   it broke the rule that the sheet says in line 11, message.1.fields",
        ),
        (
            "delimited-line",
            r"RES;04",
            "1: refused: unfinished, no end mark CR LF came",
            "   it broke the rule at byte 6 that the sheet says in line 5, frame.end",
        ),
        (
            "delimited-line",
            "x" * 96 + r"\r\n",
            "1: refused: too-long, no end mark CR LF within 96 bytes",
            "   it broke the rule at byte 96 that the sheet says in line 5, frame.max",
        ),
        (
            "delimited-line",
            r"ABC;1\r\n",
            "1: refused: unknown-message, no message that the sheet knows",
            "   it broke the rule that the sheet says in line 8, message.1.when",
        ),
        (
            "delimited-line",
            r"STA;SLEEPS;\r\n",
            "1: refused: unknown-message, field 2 names no event that the sheet knows",
            "   it broke the rule at byte 4 that the sheet says in line 24, message.2.event",
        ),
        (
            "label-block",
            r"\x02MSG:STATE\r\nSTATE:READY\r\n*13\x03",
            "1: refused: bad-checksum, xor8 does not agree with the bytes",
            "   it broke the rule at byte 25 that the sheet says in line 14, sum",
        ),
        (
            "label-block",
            r"\x02MSG:STATE\r\n*33\x03",
            "1: refused: bad-field, label STATE is missing",
            "   it broke the rule that the sheet says in line 36, message.2.event",
        ),
    ],
)
def test_a_refused_frame_names_the_rule_its_line_and_the_byte(
    desk: Desk, driver: str, frame: str, first: str, why: str
) -> None:
    shown = lines_of(desk, "--bytes", frame, "--driver", driver)

    assert shown[:2] == [first, why]


def test_damage_on_the_line_is_no_rule_of_the_sheet(desk: Desk) -> None:
    shown = lines_of(desk, SESSION, "--frame", "15")

    assert shown[0] == "15: refused: line-error, a byte of this frame came with a line error"
    assert shown[2] == (
        "   the line said that it was damaged at byte 1341: no rule of the sheet, look at cable and line settings"
    )


def test_a_recording_is_told_piece_by_piece_and_the_pieces_hold_every_byte(desk: Desk) -> None:
    story = json.loads(desk.type("explain", SESSION, "--json").output)
    spans = [tuple(span) for each in story["items"] for span in each["spans"]]

    assert story["counts"] == {"result": 2, "event": 7, "progress": 1, "refused": 4, "noise": 3}
    assert [n for start, end in sorted(spans) for n in range(start, end)] == list(range(story["bytes"]))
    assert [each["n"] for each in story["items"]] == list(range(1, 18))
    refused = json.loads(desk.type("explain", SESSION, "--refused", "--json").output)["items"]
    assert [(each["why"], each["sheet_line"], each["key"]) for each in refused] == [
        ("unfinished", 13, "frame.end"),
        ("unfinished", 13, "frame.start"),
        ("too-long", 13, "frame.max"),
        ("line-error", None, None),
    ]


def test_a_recording_read_by_another_driver_says_so_and_what_if_nothing_is_recognised(desk: Desk) -> None:
    result = desk.type("explain", GAPS, "--driver", "label-block")

    assert result.exit_code == 1
    assert result.output.startswith("The recording names driver gap-frame; this is how label-block reads it.\n")
    assert str(result.exception) == (
        "nothing was recognised in 964 bytes; is label-block the right driver? Choose with --driver"
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "give one of them: a record's id, a recording's file, or --bytes TEXT"),
        (["--bytes", "a"], "--bytes needs to know how to read them; add --driver SHEET"),
        (["--bytes", r"a\q", "--driver", "gap-frame"], '"\\q" is no escape; write \\xNN'),
        (["--bytes", "ä", "--driver", "gap-frame"], "'ä' is no printable ASCII character; write its bytes as \\xNN"),
        (["--bytes", "", "--driver", "gap-frame"], "--bytes: no bytes; write the frame with its marks"),
        (["--bytes", "a", "--driver", "gap-fram"], 'no driver "gap-fram"; did you mean "gap-frame"?'),
        (["--bytes", "a", "--driver", "none/x.toml"], "none/x.toml: there is no such sheet"),
        ([SESSION, "--frame", "18"], "--frame 18: there are 17; give a number from 1 to 17"),
        ([SESSION, "--blank-ids"], "--blank-ids says how --to FILE is written; give --to FILE too"),
        ([SESSION, "--to", "x", "--keep-unread"], "--keep-unread is said beside --blank-ids"),
        (["--bytes", "a", "--driver", "gap-frame", "--frame", "1"], "--bytes is one frame alone"),
        (["no-such-file"], "'no-such-file' is no record id and no file"),
        ([str(registry.SHEETS / "gap-frame/sheet.toml")], "is no recording"),
    ],
)
def test_what_cannot_be_explained_is_a_line_with_the_cure(desk: Desk, words: list[str], said: str) -> None:
    result = desk.type("explain", *words)

    assert result.exit_code == 2
    assert said in str(result.exception)
    assert "\n" not in str(result.exception)


def test_a_sheet_of_ones_own_that_is_misspelt_is_named_by_the_nearest_beside_it(desk: Desk, keyed_in: str) -> None:
    result = desk.type("explain", "--bytes", "a", "--driver", keyed_in.replace("keyed-in", "keyd-in"))

    assert f'did you mean "{keyed_in}"?' in str(result.exception)


def test_a_sheet_of_the_sites_folder_is_found_by_its_name(desk: Desk, keyed_in: str) -> None:
    (desk.folder / "sheets").mkdir()
    shutil.copy(keyed_in, desk.folder / "sheets")
    written = desk.config.read_text(encoding="utf-8")
    desk.config.write_text(written.replace("[[analyser]]", f'sheets = "{desk.folder}/sheets"\n\n[[analyser]]', 1))

    assert lines_of(desk, "--bytes", "<<1;A-17;4;*54>>", "--driver", "keyed-in")


def test_a_sheet_that_cannot_be_used_is_told_with_its_line_and_exits_78(desk: Desk, tmp_path: Path) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text(KEYED_IN.replace("fields = 4", "fields = 2"), encoding="utf-8")

    result = desk.type("explain", "--bytes", "a", "--driver", str(path))

    assert result.exit_code == 78
    assert "line 13, message.1.hydrogen.field" in str(result.exception)


def read(path: Path) -> recording.Recording:
    return recording.decode(path.read_bytes())


def test_some_frames_are_written_as_a_recording_without_any_name_of_this_machine(desk: Desk, tmp_path: Path) -> None:
    to = tmp_path / "send.txt"

    said = lines_of(desk, SESSION, "--frame", "6", "--frame", "8", "--to", str(to))

    assert said == [f"Wrote {to}: 164 bytes; nothing is blanked: it may hold what was keyed in at the analyser."]
    header = read(to).header
    assert (header.port, header.line, header.driver, header.purpose) == (
        "not said",
        "19200 8N1",
        "label-block",
        "training",
    )
    assert header.opened.isoformat() == "2026-11-24T09:21:20+00:00"
    assert header.stream != read(registry.SHEETS / "label-block/recordings/session.txt").header.stream
    again = json.loads(desk.type("explain", str(to), "--json").output)
    assert again["counts"] == {"result": 1, "refused": 1}
    assert [each["ms"] for each in again["items"]] == [0, 730000]


def test_what_was_written_is_told_as_data_too(desk: Desk, tmp_path: Path) -> None:
    to = tmp_path / "send.txt"

    told = json.loads(desk.type("explain", SESSION, "--frame", "3", "--to", str(to), "--json").output)

    assert told == {
        "file": str(to),
        "bytes": 29,
        "driver": "label-block",
        "blanked": "nothing is blanked: it may hold what was keyed in at the analyser",
    }


def test_a_file_that_is_there_is_not_written_over(desk: Desk, tmp_path: Path) -> None:
    to = tmp_path / "send.txt"
    to.write_text("mine", encoding="utf-8")

    result = desk.type("explain", SESSION, "--to", str(to))

    assert (result.exit_code, to.read_text(encoding="utf-8")) == (2, "mine")
    assert str(result.exception) == f"{to}: is there already; remove it, or name another file"


def test_a_whole_recording_keeps_its_marks_and_reads_the_same(desk: Desk, tmp_path: Path) -> None:
    to = tmp_path / "send.txt"

    lines_of(desk, GAPS, "--to", str(to))

    one, other = (json.loads(desk.type("explain", name, "--json").output) for name in (GAPS, str(to)))
    assert one == other


def test_an_identifier_keyed_in_becomes_x_and_the_check_is_made_anew(desk: Desk, keyed_in: str, tmp_path: Path) -> None:
    to = tmp_path / "send.txt"
    frame = "<<0412;A-1017;37;Miller J.*{}>>"
    check = 0
    for byte in frame[2:-5].encode():
        check ^= byte

    said = lines_of(desk, "--bytes", frame.format(f"{check:02X}"), "--driver", keyed_in, "--to", str(to), "--blank-ids")

    assert said == [
        f"Wrote {to}: 31 bytes; 15 bytes of identifiers, texts and what no field explains by x; 1 check made anew; 1 of 1 items read as before.",
        "It is read by keyed-in, which is not built in: send its sheet too.",
    ]
    assert heard_bytes(read(to).entries).startswith(b"<<0412;xxxxxx;37;xxxxxxxxx*")
    assert read(to).header.extra["blanked"] in said[0]
    story = json.loads(desk.type("explain", str(to), "--driver", keyed_in, "--json").output)
    assert story["items"][0]["words"] == "result 0412, kind unknown, identifier xxxxxx: hydrogen 37 ppm; checksum"


def test_bytes_that_no_field_explains_can_be_kept_but_never_an_identifier(
    desk: Desk, keyed_in: str, tmp_path: Path
) -> None:
    to = tmp_path / "send.txt"

    lines_of(
        desk, "--bytes", "ab<<1;A-17;4;cd*53>>", "--driver", keyed_in, "--to", str(to), "--blank-ids", "--keep-unread"
    )

    assert heard_bytes(read(to).entries).startswith(b"ab<<1;xxxx;4;cd*")


def test_a_kept_record_is_written_too_with_the_time_at_which_it_was_heard(morning: Desk, tmp_path: Path) -> None:
    for number, line in enumerate(morning.type("readings", "--json", "--last", "12").output.splitlines()):
        record = json.loads(line)
        to = tmp_path / f"send-{number}.txt"

        assert morning.type("explain", record["id"], "--to", str(to)).exit_code == 0

        written = read(to)
        size = sum(end - start for start, end in record["source"]["spans"])
        assert written.header.opened.isoformat(timespec="milliseconds")[:23] == record["received_at"][:23]
        assert len(heard_bytes(written.entries)) == size
        assert json.loads(morning.type("explain", str(to), "--json").output)["counts"] == {"result": 1}


def test_refused_bytes_of_the_journal_are_written_under_the_name_that_status_gives(
    morning: Desk, tmp_path: Path
) -> None:
    name = json.loads(morning.type("status", "--refused", "--json").output)["refused_frames"][0]["name"]

    assert morning.type("explain", name, "--to", str(tmp_path / "send.txt"), "--blank-ids").exit_code == 0

    assert heard_bytes(read(tmp_path / "send.txt").entries)


def test_a_recording_made_without_a_driver_needs_one_said(desk: Desk, tmp_path: Path) -> None:
    file = tmp_path / "heard.txt"
    text = Path(SESSION).read_text(encoding="utf-8").replace("# driver: label-block", "# driver: unknown")
    file.write_text(text, encoding="utf-8")

    result = desk.type("explain", str(file))

    assert (result.exit_code, str(result.exception)) == (
        2,
        f"{file}: was recorded without a driver; say how to read it: --driver SHEET",
    )
    assert lines_of(desk, str(file), "--driver", "label-block") == lines_of(desk, SESSION)


def test_a_kept_record_takes_no_driver(morning: Desk) -> None:
    for words in (["--driver", "gap-frame"], ["--frame", "1"], ["--refused"]):
        result = morning.type("explain", "caa3a430", *words)

        assert result.exit_code == 2
        assert "a kept record is read by the driver that read it" in str(result.exception)


def test_what_would_not_be_read_as_before_is_not_written(desk: Desk, tmp_path: Path) -> None:
    twice, to = str(registry.SHEETS / "numbered-lines/recordings/twice.txt"), tmp_path / "send.txt"

    refused = desk.type("explain", twice, "--to", str(to), "--blank-ids")

    assert refused.exit_code == 1
    assert str(refused.exception) == (
        "2 of 8 items would not be read as before once blanked, the first at byte 171 of those chosen; nothing was written; "
        "choose others with --frame N, or add --keep-unread and look through the file before you send it"
    )
    assert not to.exists()
    assert desk.type("explain", twice, "--to", str(to), "--blank-ids", "--frame", "7").exit_code == 0


def test_refused_bytes_of_the_journal_have_a_hint_too(morning: Desk) -> None:
    frames = json.loads(morning.type("status", "--refused", "--json").output)["refused_frames"]
    told = [morning.type("explain", each["name"]).output for each in frames]

    unknown = [each for each in told if "names no event" in each or "no message that the sheet knows" in each]
    assert unknown, told
    assert all("\nhint: " in each for each in unknown)
