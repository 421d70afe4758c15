"""From a value and its uncertainty to conformity and to the decision, by a named rule, with the reasons in words."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from gaugepost.core.conformity.doubt import Doubt
from gaugepost.core.conformity.probability import conformance_probability, kept
from gaugepost.core.conformity.rules import BY_FACTOR, REJECTION, Rule, RuleName
from gaugepost.core.conformity.verdict import Conformity, Decision, Verdict, decide_simple
from gaugepost.core.conformity.zones import Zones, acceptance_limits, tolerance_in_u, zones
from gaugepost.core.distributions import normal_cdf
from gaugepost.core.quantity import exact_text

BOTH_IN_PLAY = 5
"""Below this T/u a value near one limit is in doubt about the other one too, and 1.65 is not 95 % (derived)."""
_MANY = 32
"""With so many degrees of freedom no factor is further from what it stands for than `_NOTED` (derived)."""
_NOTED = 0.005
"""A fixed factor that proves less than it stands for by more than this is remarked upon."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a verdict, and an uncertainty where one is known, lead to. Lengths in mm."""

    decision: Decision
    conformity: Conformity | None = None
    probability: Decimal | None = None
    """Conformance probability, to 6 significant digits."""
    lower_acceptance_mm: Decimal | None = None
    upper_acceptance_mm: Decimal | None = None
    side: Verdict | None = None
    """Where the size is at fault when it is not accepted: the verdict, or the limit whose guard band it is in."""
    reasons: tuple[str, ...] = ()
    """Why it is undecided, and where the rule does not hold what its number says."""


def decide(
    rule: Rule,
    verdict: Verdict,
    value_mm: Decimal,
    lower_mm: Decimal | None,
    upper_mm: Decimal | None,
    doubt: Doubt | None,
) -> Judgement:
    """Return what follows by `rule` for a value that has a verdict, with one limit or two.

    Conformity is stated whatever the rule, by its guard band, or by 95 % exactly where it has none. A rule that needs
    an uncertainty decides nothing without one.
    """
    side: Verdict | None = verdict if verdict is not Verdict.IN_LIMITS else None
    if doubt is None:
        if rule.needs_uncertainty:
            return Judgement(
                Decision.UNDECIDED,
                side=side,
                reasons=(f"{rule.name} needs an uncertainty, and none is known",),
            )
        return Judgement(_simply(verdict), side=side)
    made, limits, reasons = _known(rule, lower_mm, upper_mm, doubt)
    conformity = _conformity(made, value_mm)
    probability = kept(conformance_probability(value_mm, lower_mm, upper_mm, doubt))
    if rule.name is RuleName.SIMPLE_ACCEPTANCE:
        return Judgement(_simply(verdict), conformity, probability, side=side)
    lower_acceptance, upper_acceptance = limits or (None, None)
    decision = _DECIDED[conformity]
    if conformity is Conformity.NEITHER:
        side = side or _near(value_mm, made)
        if rule.name in REJECTION:
            decision = Decision.ACCEPT
        elif made.is_provable:
            reasons = (
                *reasons,
                f"in the guard band at the {'lower' if side is Verdict.UNDERSIZE else 'upper'} limit",
            )
    return Judgement(decision, conformity, probability, lower_acceptance, upper_acceptance, side, reasons)


@lru_cache(maxsize=1024)
def _known(
    rule: Rule, lower_mm: Decimal | None, upper_mm: Decimal | None, doubt: Doubt
) -> tuple[Zones, tuple[Decimal | None, Decimal | None] | None, tuple[str, ...]]:
    """Return zones, acceptance limits and cautions: the same for all values of a characteristic, and found as one."""
    return (
        zones(rule, lower_mm, upper_mm, doubt),
        acceptance_limits(rule, lower_mm, upper_mm, doubt),
        cautions(rule, lower_mm, upper_mm, doubt),
    )


def cautions(rule: Rule, lower_mm: Decimal | None, upper_mm: Decimal | None, doubt: Doubt) -> tuple[str, ...]:
    """Return what whoever relies on a guarded rule should know at this uncertainty; nothing for most.

    No value may prove conformity at all; a fixed factor gives another conformance probability than it stands for where
    both limits are in play, or where the uncertainty rests on few observations.
    """
    if not rule.needs_uncertainty:
        return ()
    wide, made = tolerance_in_u(lower_mm, upper_mm, doubt), zones(rule, lower_mm, upper_mm, doubt)
    if not made.is_provable and rule.name not in REJECTION:
        assert wide is not None
        return (f"nothing can prove conformity: the tolerance is only {wide:.3g} standard uncertainties",)
    few = doubt.degrees_of_freedom
    narrow, sparse = wide is not None and wide < BOTH_IN_PLAY, few is not None and few < _MANY
    edge = made.lower_mm if made.lower_mm is not None else made.upper_mm
    if rule.name not in BY_FACTOR or not (narrow or sparse) or edge is None:
        return ()
    assert rule.parameter is not None
    meant = normal_cdf(float(rule.parameter))
    given = conformance_probability(edge, lower_mm, upper_mm, doubt)
    if narrow:
        why = f"the tolerance is only {wide:.3g} standard uncertainties"
    elif meant - given > _NOTED:
        why = f"the uncertainty has only {few:.3g} degrees of freedom"
    else:
        return ()
    return (f"{why}: a factor of {exact_text(rule.parameter)} proves {given:.1%}, not {meant:.1%}",)


_DECIDED = {
    Conformity.VERIFIED: Decision.ACCEPT,
    Conformity.NOT: Decision.REJECT,
    Conformity.NEITHER: Decision.UNDECIDED,
}


def _simply(verdict: Verdict) -> Decision:
    decision = decide_simple(verdict)
    assert decision is not None, "what has no verdict is not decided"
    return decision


def _conformity(made: Zones, value_mm: Decimal) -> Conformity:
    if made.below_mm is not None and value_mm < made.below_mm:
        return Conformity.NOT
    if made.above_mm is not None and value_mm > made.above_mm:
        return Conformity.NOT
    if not made.is_provable:
        return Conformity.NEITHER
    if made.lower_mm is not None and value_mm < made.lower_mm:
        return Conformity.NEITHER
    if made.upper_mm is not None and value_mm > made.upper_mm:
        return Conformity.NEITHER
    return Conformity.VERIFIED


def _near(value_mm: Decimal, made: Zones) -> Verdict | None:
    """Return the limit whose guard band a value inside the limits is in; None where they leave nothing between them."""
    if not made.is_provable:
        return None
    below = made.lower_mm is not None and value_mm < made.lower_mm
    return Verdict.UNDERSIZE if below else Verdict.OVERSIZE
