"""The fields that say what a value is worth: limits, deviation, verdict, conformity, decision, and the reasons."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from gaugepost.core.bench.judging.drawing import in_unit
from gaugepost.core.conformity import SIMPLE_ACCEPTANCE, Doubt, Verdict, decide_simple, deviation, judge
from gaugepost.core.setup import CharacteristicEntry

NO_CHARACTERISTIC = "no characteristic is selected for this gauge"


def judged(
    characteristic: CharacteristicEntry | None,
    value_mm: Decimal | None,
    reasons: tuple[str, ...],
    *,
    is_member: bool,
    doubt: Doubt | None = None,
) -> dict[str, Any]:
    """Return the fields that say what a value is worth: value, limits, deviation, verdict, decision, reasons.

    A member of a group that is combined later has no verdict of its own, unless something is wrong with it. `doubt` is
    the value's uncertainty where that is known.
    """
    fields: dict[str, Any] = {"value_mm": value_mm}
    if characteristic is None:
        return fields | {"verdict": Verdict.NOT_JUDGED, "reasons": (*reasons, NO_CHARACTERISTIC)}
    unit, step = characteristic.unit, characteristic.step
    fields["unit"] = unit
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
    verdict = judge(value_mm, characteristic.lower_mm, characteristic.upper_mm)
    return fields | {"verdict": verdict, "decision": decide_simple(verdict), "rule": SIMPLE_ACCEPTANCE}
