"""The one size that several make: average and rank-order sizes (ISO 14405-1). Lengths in mm."""

from __future__ import annotations

from decimal import Decimal

from gaugepost.core.mastering import mean, spread
from gaugepost.core.setup import CharacteristicEntry, Combine


def combined(sizes_mm: tuple[Decimal, ...], combine: Combine) -> Decimal:
    """Return what sizes come to, where it is divided to 1e-9 mm: average, maximum, minimum, median, mid-range or range.

    The median of an even number is the mean of the two in the middle, the mid-range size the mean of maximum and
    minimum, the range their difference.
    """
    if combine is Combine.LARGEST:
        return max(sizes_mm)
    if combine is Combine.SMALLEST:
        return min(sizes_mm)
    if combine is Combine.MEDIAN:
        ranked = sorted(sizes_mm)
        lower, upper = ranked[(len(ranked) - 1) // 2], ranked[len(ranked) // 2]
        return mean((lower, upper))
    if combine is Combine.MID_RANGE:
        return mean((min(sizes_mm), max(sizes_mm)))
    return spread(sizes_mm) if combine is Combine.RANGE else mean(sizes_mm)


def averages_places(entry: CharacteristicEntry) -> bool:
    """Whether repeats at each place are averaged first: it is the places that a size modifier is about."""
    return bool(entry.positions) and entry.readings > 1 and entry.combine not in (Combine.EACH, Combine.MEAN)


def judged_of(entry: CharacteristicEntry) -> str:
    """Return what of a characteristic is judged, in words: "reading", "largest of 3, each the mean of 2"."""
    if entry.combine is Combine.EACH:
        return "reading"
    if averages_places(entry):
        return f"{entry.combine} of {len(entry.positions)}, each the mean of {entry.readings}"
    return f"{entry.combine} of {entry.readings * max(1, len(entry.positions))}"
