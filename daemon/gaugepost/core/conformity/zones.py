"""Where a value proves conformity and where it proves nonconformity: the guard bands on both sides of each limit."""

from __future__ import annotations

import decimal
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from gaugepost.core.conformity.doubt import Doubt
from gaugepost.core.conformity.probability import exact_factor, one_sided_factor
from gaugepost.core.conformity.rules import BY_FACTOR, BY_PROBABILITY, PROBABILITY, REJECTION, Rule, RuleName
from gaugepost.core.quantity import CONTEXT, QUANTUM_MM

_CEILING = decimal.Context(prec=34, rounding=decimal.ROUND_CEILING)
_NINE_DIGITS = decimal.Context(prec=9, rounding=decimal.ROUND_HALF_EVEN)
_SIX_DIGITS = decimal.Context(prec=6, rounding=decimal.ROUND_HALF_EVEN)


@dataclass(frozen=True, slots=True)
class Zones:
    """The zones of one characteristic at one uncertainty, in mm. An end is None where no limit is on that side."""

    is_provable: bool
    """Whether any value at all proves conformity."""
    lower_mm: Decimal | None
    upper_mm: Decimal | None
    """What is between these, both included, proves conformity; None where nothing does."""
    below_mm: Decimal | None
    above_mm: Decimal | None
    """What is below the one or above the other proves nonconformity."""


@lru_cache(maxsize=1024)
def zones(rule: Rule, lower_mm: Decimal | None, upper_mm: Decimal | None, doubt: Doubt) -> Zones:
    """Return the zones that `rule` has about the limits (ISO 14253-1:2017; JCGM 106:2012, 8.3).

    Simple acceptance proves nothing by itself: its zones are those of 95 %, exactly (ISO 14253-1's default). Guard
    bands are rounded away from the limits, to 1e-9 mm.
    """
    u = _SIX_DIGITS.create_decimal_from_float(doubt.standard_mm)
    inside, outside = _bands(rule, lower_mm, upper_mm, doubt, u)
    below = None if lower_mm is None else CONTEXT.subtract(lower_mm, outside)
    above = None if upper_mm is None else CONTEXT.add(upper_mm, outside)
    if inside is not None:
        lower = None if lower_mm is None else CONTEXT.add(lower_mm, inside)
        upper = None if upper_mm is None else CONTEXT.subtract(upper_mm, inside)
        if lower is None or upper is None or lower <= upper:
            return Zones(True, lower, upper, below, above)
    return Zones(False, None, None, below, above)


def acceptance_limits(
    rule: Rule, lower_mm: Decimal | None, upper_mm: Decimal | None, doubt: Doubt
) -> tuple[Decimal | None, Decimal | None] | None:
    """Return between what values, both included, the decision by `rule` is accept, in mm; None where it never is."""
    if rule.name is RuleName.SIMPLE_ACCEPTANCE:
        return lower_mm, upper_mm
    made = zones(rule, lower_mm, upper_mm, doubt)
    if rule.name in REJECTION:
        return made.below_mm, made.above_mm
    return (made.lower_mm, made.upper_mm) if made.is_provable else None


def tolerance_in_u(lower_mm: Decimal | None, upper_mm: Decimal | None, doubt: Doubt) -> float | None:
    """Return T/u, the tolerance in standard uncertainties; None with one limit or none."""
    if lower_mm is None or upper_mm is None:
        return None
    u = _SIX_DIGITS.create_decimal_from_float(doubt.standard_mm)
    return float(CONTEXT.divide(CONTEXT.subtract(upper_mm, lower_mm), u))


def _bands(
    rule: Rule, lower_mm: Decimal | None, upper_mm: Decimal | None, doubt: Doubt, u: Decimal
) -> tuple[Decimal | None, Decimal]:
    """Return the guard band's width for a proof of conformity, None where there is none, and of nonconformity."""
    if rule.name in BY_FACTOR:
        assert rule.parameter is not None
        width = _away(CONTEXT.multiply(rule.parameter, u))
        return width, width
    if rule.name in BY_PROBABILITY or rule.parameter is None:
        probability, nu = float(rule.parameter or PROBABILITY), doubt.degrees_of_freedom
        inside = exact_factor(probability, nu, tolerance_in_u(lower_mm, upper_mm, doubt))
        # A value is outside of one limit: that the other is far away can't make it more probable.
        outside = _times(one_sided_factor(probability, nu), u)
        return None if inside is None else _times(inside, u), outside
    k = _SIX_DIGITS.create_decimal_from_float(doubt.coverage_factor)
    width = _away(CONTEXT.multiply(CONTEXT.multiply(rule.parameter, k), u))
    return width, width


def _times(factor: float, u: Decimal) -> Decimal:
    """Return a width of so many standard uncertainties, the factor to nine digits: more than any computer disputes."""
    return _away(CONTEXT.multiply(_NINE_DIGITS.create_decimal_from_float(factor), u))


def _away(width_mm: Decimal) -> Decimal:
    return width_mm.quantize(QUANTUM_MM, context=_CEILING)
