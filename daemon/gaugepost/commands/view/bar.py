"""Two limits and a value, drawn to scale in a row of characters.

····├─╎──────┼──────◆╎┤····
│   │ │      │      └ the value
│   │ │      └ nominal, or the middle
│   │ └ acceptance limit of a guarded rule
│   └ lower limit
└ beyond the limits, to the same scale; an arrow where that is too short
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from gaugepost.core.quantity import CONTEXT, round_to

INSIDE = 17
"""Cells between the limits' marks."""
BEYOND = 4
"""Cells drawn on either side of them."""
LOWER_AT, UPPER_AT = BEYOND, BEYOND + INSIDE + 1
LAST = UPPER_AT + BEYOND


@dataclass(frozen=True, slots=True)
class _Glyphs:
    beyond: str
    inside: str
    lower: str
    upper: str
    tick: str
    accepting: str
    value: str
    left: str
    right: str


_DRAWN = _Glyphs("·", "─", "├", "┤", "┼", "╎", "◆", "◀", "▶")
_ASCII = _Glyphs(".", "-", "[", "]", "+", ":", "#", "<", ">")


@dataclass(frozen=True, slots=True)
class Bar:
    """The row, and which of its cells shows the value; None without value or limits."""

    text: str
    value_at: int | None


def drawn(
    value: Decimal | None,
    lower: Decimal | None,
    upper: Decimal | None,
    nominal: Decimal | None = None,
    *,
    accepting: tuple[Decimal | None, Decimal | None] = (None, None),
    plain: bool = False,
) -> Bar:
    """Return the row for a value and limits in one unit; `plain` is ASCII only.

    A value inside stands between the marks, one equal to a limit on its mark, one outside beyond it, however little is
    between them. Where it leaves what is drawn it is an arrow, and always with only one limit: one gives no scale. The
    tick is the nominal size where that is inside, else the middle. `accepting` are acceptance limits: one that
    shares its cell with a limit or with the value is not drawn.
    """
    glyphs = _ASCII if plain else _DRAWN
    if lower is None and upper is None:
        return Bar(" " * (LAST + 1), None)
    low, high = (0 if lower is None else LOWER_AT), (LAST if upper is None else UPPER_AT)
    cells = [glyphs.inside if low <= at <= high else glyphs.beyond for at in range(LAST + 1)]
    if lower is not None and upper is not None:
        has_nominal = nominal is not None and lower < nominal < upper
        tick = _scaled(nominal, lower, upper) if has_nominal and nominal is not None else (low + high) // 2
        cells[min(max(tick, low + 1), high - 1)] = glyphs.tick
        for limit in accepting:
            if limit is not None and 0 <= (at := _scaled(limit, lower, upper)) <= LAST:
                cells[at] = glyphs.accepting
    if lower is not None:
        cells[LOWER_AT] = glyphs.lower
    if upper is not None:
        cells[UPPER_AT] = glyphs.upper
    if value is None:
        return Bar("".join(cells), None)
    at = _place(value, lower, upper)
    shown_at = min(max(at, 0), LAST)
    cells[shown_at] = glyphs.left if at < 0 else glyphs.right if at > LAST else glyphs.value
    return Bar("".join(cells), shown_at)


def _place(value: Decimal, lower: Decimal | None, upper: Decimal | None) -> int:
    """The value's cell; below 0 or above `LAST` where it is beyond what is drawn."""
    if value == lower:
        return LOWER_AT
    if value == upper:
        return UPPER_AT
    if lower is None or upper is None:
        limit = upper if lower is None else lower
        assert limit is not None
        return -1 if value < limit else LAST + 1
    if value < lower:
        return min(_scaled(value, lower, upper), LOWER_AT - 1)
    if value > upper:
        return max(_scaled(value, lower, upper), UPPER_AT + 1)
    return min(max(_scaled(value, lower, upper), LOWER_AT + 1), UPPER_AT - 1)


def _scaled(value: Decimal, lower: Decimal, upper: Decimal) -> int:
    """The nearest cell to scale; far outside, any cell that is not drawn."""
    if lower == upper:
        return -1 if value < lower else LAST + 1
    share = min(max(CONTEXT.divide(value - lower, upper - lower), Decimal(-2)), Decimal(2))
    return LOWER_AT + int(round_to(share * (INSIDE + 1), Decimal(1)))
