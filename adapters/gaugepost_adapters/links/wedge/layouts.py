"""Which character a key stands for: a gauge sends key codes, and means the layout that it was set for.

The tables follow the layouts us, gb, de and fr of xkeyboard-config (tests hold them against its own files) and leave
out what is not certain: dead keys, and characters that one operating system gives a key and another does not. What is
left out is no character; a frame with such a key is a bad frame.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

LayoutName = Literal["us", "uk", "german", "french"]

# Key codes of Linux (input-event-codes.h), row by row as they lie on a keyboard.
_ROWS = (
    (41, *range(2, 14)),  # left of 1, 1 to 0, two right of 0
    tuple(range(16, 28)),  # Q to P, two right of P
    (*range(30, 41), 43),  # A to L, two right of L, the one left of Enter
    (86, *range(44, 54)),  # left of Z, Z to M, three right of M
)
_NONE = "▯"

TAB, ENTER, SPACE, CAPS_LOCK, NUM_LOCK, SCROLL_LOCK, PAD_ENTER = 15, 28, 57, 58, 69, 70, 96
LEFT_SHIFT, RIGHT_SHIFT, ALT_GR = 42, 54, 100
CONTROL = frozenset({29, 97, 56, 125, 126})
"""Left and right Ctrl, left Alt, left and right Meta: with one of them a key is an order, not a character."""
SILENT = CONTROL | {LEFT_SHIFT, RIGHT_SHIFT, ALT_GR, CAPS_LOCK, NUM_LOCK, SCROLL_LOCK}
"""Keys that change what others mean, and type nothing themselves."""

PAD_DIGITS: Mapping[int, str] = dict(zip((71, 72, 73, 75, 76, 77, 79, 80, 81, 82), "7894561230", strict=True))
PAD_DECIMAL = 83
PAD_SIGNS: Mapping[int, str] = {55: "*", 74: "-", 78: "+", 98: "/", 117: "=", 121: ","}
"""Keys of the pad that are the same with and without NumLock."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Characters by key code: alone, with Shift, with AltGr."""

    plain: Mapping[int, str]
    shift: Mapping[int, str]
    alt_gr: Mapping[int, str]
    pad_decimal: Literal[".", ","]
    """What the decimal key of the numeric pad stands for."""


def _keys(rows: Iterable[str]) -> dict[int, str]:
    found: dict[int, str] = {}
    for codes, characters in zip(_ROWS, rows, strict=True):
        found |= {
            code: character for code, character in zip(codes, characters, strict=True) if character != _NONE
        }
    return found


LAYOUTS: Mapping[LayoutName, Layout] = {
    "us": Layout(
        _keys(("`1234567890-=", "qwertyuiop[]", "asdfghjkl;'\\", "▯zxcvbnm,./")),
        _keys(("~!@#$%^&*()_+", "QWERTYUIOP{}", 'ASDFGHJKL:"|', "▯ZXCVBNM<>?")),
        {},
        ".",
    ),
    "uk": Layout(
        _keys(("`1234567890-=", "qwertyuiop[]", "asdfghjkl;'#", "\\zxcvbnm,./")),
        _keys(('¬!"£$%^&*()_+', "QWERTYUIOP{}", "ASDFGHJKL:@~", "|ZXCVBNM<>?")),
        {},
        ".",
    ),
    "german": Layout(
        _keys(("▯1234567890ß▯", "qwertzuiopü+", "asdfghjklöä#", "<yxcvbnm,.-")),
        _keys(('°!"§$%&/()=?▯', "QWERTZUIOPÜ*", "ASDFGHJKLÖÄ'", ">YXCVBNM;:_")),
        _keys(("▯▯²³▯▯▯{[]}\\▯", "@▯▯▯▯▯▯▯▯▯▯~", "▯▯▯▯▯▯▯▯▯▯▯▯", "|▯▯▯▯▯▯µ▯▯▯")),
        ",",
    ),
    "french": Layout(
        _keys(("²&é\"'(-è_çà)=", "azertyuiop▯$", "qsdfghjklmù*", "<wxcvbn,;:!")),
        _keys(("▯1234567890°+", "AZERTYUIOP▯£", "QSDFGHJKLM%µ", ">WXCVBN?./§")),
        _keys(("▯▯▯#{[|▯\\^@]}", "▯▯▯▯▯▯▯▯▯▯▯▯", "▯▯▯▯▯▯▯▯▯▯▯▯", "▯▯▯▯▯▯▯▯▯▯▯")),
        ".",
    ),
}
