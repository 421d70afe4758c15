"""What a terminal can show, and text made fit for it."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from datetime import UTC, tzinfo

BOLD, DIM, RED, GREEN, YELLOW = "1", "2", "31", "32", "33"

_PLAIN_TABLE = str.maketrans({"µ": "u", "°": "deg", "·": "|", "≥": ">=", "≤": "<="})


@dataclass(frozen=True, slots=True)
class Style:
    """What a terminal can show."""

    colour: bool = False
    ascii: bool = False
    width: int = 80
    zone: tzinfo | None = UTC
    """None: the computer's own zone."""


def clean(text: str, style: Style) -> str:
    """Return `text` with everything that a terminal might obey, or can't show, written out as an escape."""
    safe = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
    if not style.ascii:
        return safe
    return safe.translate(_PLAIN_TABLE).encode("ascii", "backslashreplace").decode("ascii")


def painted(text: str, colour: str, style: Style) -> str:
    """Return `text` in a colour or weight, where the terminal shows any."""
    return f"\x1b[{colour}m{text}\x1b[0m" if style.colour and text else text


def wrapped(text: str, indent: int, style: Style) -> list[str]:
    """Return `text`, already clean, folded to the width; lines after the first stand at `indent`."""
    return textwrap.wrap(
        text, style.width, subsequent_indent=" " * indent, break_on_hyphens=False, drop_whitespace=True
    )


def folded(parts: list[str], indent: int, style: Style) -> list[str]:
    """Return parts, already clean, in as few lines as hold them; only a part wider than a line is broken."""
    point = clean(" · ", style)
    rows: list[str] = []
    for part in parts:
        if rows and len(rows[-1]) + len(point) + len(part) <= style.width:
            rows[-1] += point + part
        else:
            rows.append(" " * indent + part)
    return [line for row in rows for line in wrapped(row, indent, style)]
