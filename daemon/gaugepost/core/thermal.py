"""Thermal correction to 20 °C: how a master's size becomes a gauge's span, and a span becomes a part's size.

Lengths in mm, temperatures in °C, coefficients in 1/K, drift in mm/K. Reference temperature 20 °C (ISO 1:2022).
Valid for bore and shaft and a uniformly warm gauge.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from gaugepost.core.quantity import CONTEXT

REFERENCE_C = Decimal(20)


@dataclass(frozen=True, slots=True)
class Expansion:
    """How a gauge answers to its own temperature: by a coefficient (1/K), or by a drift (mm/K) that replaces it."""

    coefficient: Decimal | None = None
    drift_mm_per_k: Decimal | None = None


def growth(coefficient: Decimal, celsius: Decimal) -> Decimal:
    """Return 1 + α·(T − 20), the length at T over the length at 20 °C."""
    return 1 + CONTEXT.multiply(coefficient, celsius - REFERENCE_C)


def span_on_master(
    size_mm: Decimal,
    *,
    master_coefficient: Decimal,
    master_c: Decimal,
    gauge: Expansion,
    gauge_c: Decimal,
) -> Decimal:
    """Return s, the gauge's span at 20 °C while it sits on a master of calibrated size `size_mm`.

    s = Dm·(1 + αm·(Tm − 20)) / (1 + αg·(Tg,m − 20)); a gauge with a drift has no division here, its growth is added
    when the part is measured.
    """
    warm = CONTEXT.multiply(size_mm, growth(master_coefficient, master_c))
    if gauge.drift_mm_per_k is not None:
        return warm
    assert gauge.coefficient is not None
    return CONTEXT.divide(warm, growth(gauge.coefficient, gauge_c))


def part_at_20(
    span_mm: Decimal,
    *,
    gauge: Expansion,
    gauge_c: Decimal,
    gauge_at_mastering_c: Decimal,
    part_coefficient: Decimal,
    part_c: Decimal,
) -> Decimal:
    """Return D20, the part's size at 20 °C, from the gauge's span on it.

    D20 = S·(1 + αg·(Tg − 20)) / (1 + αp·(Tp − 20)), or (S + c·(Tg − Tg,m)) / (1 + αp·(Tp − 20)) for a drift c.
    """
    if gauge.drift_mm_per_k is not None:
        warm = span_mm + CONTEXT.multiply(gauge.drift_mm_per_k, gauge_c - gauge_at_mastering_c)
    else:
        assert gauge.coefficient is not None
        warm = CONTEXT.multiply(span_mm, growth(gauge.coefficient, gauge_c))
    return CONTEXT.divide(warm, growth(part_coefficient, part_c))
