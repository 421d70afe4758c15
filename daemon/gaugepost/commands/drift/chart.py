"""A run chart in lines of text: one column a value, in the order they came (NIST/SEMATECH e-Handbook, 1.3.3.25)."""

from __future__ import annotations

import math
from collections.abc import Sequence

ROWS = 9
"""Lines of the chart: an odd number, so that one is the middle."""
WIDEST = 60
"""Columns of the chart; of more values the last ones are shown."""


def run_chart(values: Sequence[float], failed: Sequence[bool], mean: float, limit: float | None) -> list[str]:
    """Return the chart's lines: `o` a value, `x` one of a failed check, `-` the mean, `=` a limit that is in sight.

    A limit is drawn where the values come within half of it, so that small ones do not vanish in a wide band.
    """
    values, failed = values[-WIDEST:], failed[-WIDEST:]
    low, high = min(*values, mean), max(*values, mean)
    limits = []
    if limit is not None:
        limits = [each for each, near in ((-limit, low <= -limit / 2), (limit, high >= limit / 2)) if near]
        low, high = min([low, *limits]), max([high, *limits])
    step = (high - low) / (ROWS - 1) or max(abs(high), 1.0) * 1e-3
    rows = [[" "] * len(values) for _ in range(ROWS)]

    def row_of(value: float) -> int:
        return min(ROWS - 1, max(0, ROWS - 1 - math.floor((value - low) / step + 0.5)))

    for level, mark in ((mean, "-"), *((each, "=") for each in limits)):
        rows[row_of(level)] = [mark] * len(values)
    for at, (value, has_failed) in enumerate(zip(values, failed, strict=True)):
        rows[row_of(value)][at] = "x" if has_failed else "o"
    named = {0: low + (ROWS - 1) * step, row_of(mean): mean, ROWS - 1: low}
    labels = [f"{named[row]:+.2f}" if row in named else "" for row in range(ROWS)]
    width = max(map(len, labels))
    return [f"{label:>{width}} |{''.join(row).rstrip()}" for label, row in zip(labels, rows, strict=True)]
