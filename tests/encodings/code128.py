"""Reads Code 128 symbols by the standard's table: a judge that shares nothing with what draws them.

The widths are those of ISO/IEC 15417, Table 1, from memory; `test_labels` holds the table against the standard's own
rules (each character 11 modules, an even number of them bar, all different), which a slip would break.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

PATTERNS = """
    212222 222122 222221 121223 121322 131222 122213 122312 132212 221213 221312 231212 112232 122132 122231 113222
    123122 123221 223211 221132 221231 213212 223112 312131 311222 321122 321221 312212 322112 322211 212123 212321
    232121 111323 131123 131321 112313 132113 132311 211313 231113 231311 112133 112331 132131 113123 113321 133121
    313121 211331 231131 213113 213311 213131 311123 311321 331121 312113 312311 332111 314111 221411 431111 111224
    111422 121124 121421 141122 141221 112214 112412 122114 122411 142112 142211 241211 221114 413111 241112 134111
    111242 121142 121241 114212 124112 124211 411212 421112 421211 212141 214121 412121 111143 111341 131141 114113
    114311 411113 411311 113141 114131 311141 411131 211412 211214 211232
""".split()  # noqa: SIM905 - a table, to be read by people
"""Widths of bar, space, bar, space, bar, space for each value from 0 to 105."""

STOP = "2331112"
CODE_A, CODE_B, CODE_C = "A", "B", "C"
_START = {103: CODE_A, 104: CODE_B, 105: CODE_C}
_SWITCH = {CODE_A: {99: CODE_C, 100: CODE_B}, CODE_B: {99: CODE_C, 101: CODE_A}, CODE_C: {100: CODE_B, 101: CODE_A}}


def values(widths: Sequence[int]) -> list[int]:
    """The values between the first bar and the stop character, start and check included."""
    written = "".join(map(str, widths))
    assert written.endswith(STOP), "no stop character"
    body = written.removesuffix(STOP)
    assert len(body) % 6 == 0, "no whole characters"
    return [PATTERNS.index(body[at : at + 6]) for at in range(0, len(body), 6)]


def read(widths: Sequence[int]) -> str:
    """The text of a symbol; fails where it is none: unknown character, wrong check, no start."""
    start, *data, check = values(widths)
    assert check == (start + sum(place * value for place, value in enumerate(data, 1))) % 103, "wrong check character"
    code, text = _START[start], ""
    for value in data:
        if value in _SWITCH[code]:
            code = _SWITCH[code][value]
        elif code == CODE_C:
            assert value < 100
            text += f"{value:02}"
        else:
            assert value < 96, "a function character"
            text += chr(value + 32) if code == CODE_B or value < 64 else chr(value - 64)
    return text
