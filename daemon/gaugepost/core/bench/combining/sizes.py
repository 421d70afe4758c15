"""The one size that several make: average and rank-order sizes (ISO 14405-1). Lengths in mm."""

from __future__ import annotations

from decimal import Decimal

from gaugepost.core.mastering import mean
from gaugepost.core.setup import Combine


def combined(sizes_mm: tuple[Decimal, ...], combine: Combine) -> Decimal:
    """Return what sizes come to: their mean, the largest or the smallest of them."""
    if combine is Combine.LARGEST:
        return max(sizes_mm)
    return min(sizes_mm) if combine is Combine.SMALLEST else mean(sizes_mm)
