"""Where a value lies against the drawing's limits, and what follows from that.

Judged is the unrounded value: the absolute method of ASTM E29. A value equal to a limit is inside it.
"""

from __future__ import annotations

from decimal import Decimal

from gaugepost.core.frozen import Word
from gaugepost.core.quantity import CONTEXT


class Verdict(Word):
    """Where a value lies against the limits; not-judged where nothing may be said."""

    UNDERSIZE = "undersize"
    IN_LIMITS = "in-limits"
    OVERSIZE = "oversize"
    NOT_JUDGED = "not-judged"


class Decision(Word):
    """What is done with the piece."""

    ACCEPT = "accept"
    REJECT = "reject"
    UNDECIDED = "undecided"


class Conformity(Word):
    """What is proved about the true size (ISO 14253-1)."""

    VERIFIED = "conformity verified"
    NOT = "nonconformity verified"
    NEITHER = "neither"


def judge(value_mm: Decimal, lower_mm: Decimal | None, upper_mm: Decimal | None) -> Verdict:
    """Return where `value_mm` lies; a limit that is None doesn't bind, and without any there is no verdict."""
    if lower_mm is None and upper_mm is None:
        return Verdict.NOT_JUDGED
    if lower_mm is not None and value_mm < lower_mm:
        return Verdict.UNDERSIZE
    if upper_mm is not None and value_mm > upper_mm:
        return Verdict.OVERSIZE
    return Verdict.IN_LIMITS


def deviation(
    value_mm: Decimal, nominal_mm: Decimal | None, lower_mm: Decimal | None, upper_mm: Decimal | None
) -> Decimal | None:
    """Return `value_mm` minus nominal, in mm, exact.

    Without a nominal it counts from the middle of the limits, or from the only limit; without any of them it is None.
    """
    return (
        None
        if (start := _start(nominal_mm, lower_mm, upper_mm)) is None
        else CONTEXT.subtract(value_mm, start)
    )


def decide_simple(verdict: Verdict) -> Decision | None:
    """Return the decision under simple acceptance (JCGM 106:2012, 8.2); None where there is no verdict to decide by."""
    if verdict is Verdict.NOT_JUDGED:
        return None
    return Decision.ACCEPT if verdict is Verdict.IN_LIMITS else Decision.REJECT


def _start(nominal_mm: Decimal | None, lower_mm: Decimal | None, upper_mm: Decimal | None) -> Decimal | None:
    if nominal_mm is not None:
        return nominal_mm
    if lower_mm is not None and upper_mm is not None:
        return CONTEXT.divide(CONTEXT.add(lower_mm, upper_mm), Decimal(2))
    return upper_mm if lower_mm is None else lower_mm
