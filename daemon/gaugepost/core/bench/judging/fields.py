"""The fields that say what a value is worth: limits, deviation, verdict, conformity, decision, and the reasons."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from gaugepost.core.bench.judging.drawing import in_unit
from gaugepost.core.bench.judging.remedy import remedy
from gaugepost.core.conformity import SIMPLE, Decision, Doubt, Verdict, decide, deviation, judge
from gaugepost.core.quantity import from_mm, round_to, to_mm
from gaugepost.core.record import DERIVATION
from gaugepost.core.setup import CharacteristicEntry, Combine

NO_CHARACTERISTIC = "no characteristic is selected for this gauge"
NEAR_0 = "within its own uncertainty: sizes that are equal can show as much"
"""What is to be known of a range whose true value may as well be 0: what repeats folds, and only makes it larger."""
ABSOLUTE, ROUNDING = "absolute method", "rounding method"


def judged(
    characteristic: CharacteristicEntry | None,
    value_mm: Decimal | None,
    reasons: tuple[str, ...],
    *,
    is_member: bool,
    doubt: Doubt | None = None,
    derivation: int = DERIVATION,
) -> dict[str, Any]:
    """Return the fields that say what a value is worth: value, limits, deviation, verdict, decision, reasons.

    A member of a group that is combined later has no verdict of its own, unless something is wrong with it. `doubt` is
    the value's uncertainty where that is known. Without it, and under a set-up from before there were decision rules,
    the fields are those of that time.
    """
    fields: dict[str, Any] = {"value_mm": value_mm}
    if characteristic is None:
        return fields | {"verdict": Verdict.NOT_JUDGED, "reasons": (*reasons, NO_CHARACTERISTIC)}
    unit, step = characteristic.unit, characteristic.step
    fields["unit"] = unit
    is_of_range = is_member and characteristic.combine is Combine.RANGE
    if value_mm is not None and is_of_range:  # its limit is one of differences, not of this size
        fields["value"] = in_unit(value_mm, unit, step)
        return fields | ({"verdict": Verdict.NOT_JUDGED, "reasons": reasons} if reasons else {})
    fields["lower"] = in_unit(characteristic.lower_mm, unit, step)
    fields["upper"] = in_unit(characteristic.upper_mm, unit, step)
    if value_mm is not None:
        away = deviation(
            value_mm, characteristic.nominal_mm, characteristic.lower_mm, characteristic.upper_mm
        )
        fields["value"], fields["deviation"] = in_unit(value_mm, unit, step), in_unit(away, unit, step)
    if reasons or value_mm is None:
        return fields | {"verdict": Verdict.NOT_JUDGED, "reasons": reasons}
    if is_member:
        return fields
    if characteristic.not_judged and derivation > 2:
        fields["requirements_not_judged"] = tuple(each.value for each in characteristic.not_judged)
    return fields | _decided(characteristic, value_mm, doubt)


def _decided(entry: CharacteristicEntry, value_mm: Decimal, doubt: Doubt | None) -> dict[str, Any]:
    rule, limits = entry.rule or SIMPLE, (entry.lower_mm, entry.upper_mm)
    verdict = judge(_as_compared(entry, value_mm), *limits)
    fields: dict[str, Any] = {"verdict": verdict, "rule": rule.name}
    if verdict is Verdict.NOT_JUDGED:
        return fields
    if entry.combine is Combine.RANGE and doubt is not None and entry.upper_mm is not None:
        # It is the size of a difference that may have either sign: near 0 it folds, and both signs are in play.
        limits = (-entry.upper_mm, entry.upper_mm)
    found = decide(rule, verdict, value_mm, *limits, doubt)
    fields["decision"] = found.decision
    if entry.rule is None and doubt is None:
        return fields
    fields["method"] = ABSOLUTE if entry.rounding is None else ROUNDING
    fields["rule_parameter"] = rule.parameter
    is_size = entry.combine is not Combine.RANGE
    near_0 = not is_size and doubt is not None and value_mm <= _expanded(doubt)
    if reasons := (*found.reasons, *((NEAR_0,) if near_0 else ())):
        fields["reasons"] = reasons
    if is_size and found.decision is not Decision.ACCEPT:
        fields["remedy"] = remedy(entry.feature, found.side)
    if doubt is not None:
        fields["conformity"], fields["probability"] = found.conformity, found.probability
        if is_size:
            fields["lower_acceptance"] = in_unit(found.lower_acceptance_mm, entry.unit, entry.step)
        fields["upper_acceptance"] = in_unit(found.upper_acceptance_mm, entry.unit, entry.step)
    return fields


def _expanded(doubt: Doubt) -> Decimal:
    return Decimal(doubt.coverage_factor) * Decimal(doubt.standard_mm)


def _as_compared(entry: CharacteristicEntry, value_mm: Decimal) -> Decimal:
    """Return the value that is held against the limits: as it is, or rounded as the drawing's limits are (ASTM E29)."""
    if entry.rounding is None:
        return value_mm
    return to_mm(round_to(from_mm(value_mm, entry.unit), entry.rounding), entry.unit)
