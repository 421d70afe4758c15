"""A budget as plain values: for JSON, and for whoever lays it out as a table."""

from __future__ import annotations

from typing import Any

from gaugepost.core.bench.budgeting.budgets import Unstated
from gaugepost.core.uncertainty import Budget, Component, six_digits


def document(made: Budget | Unstated) -> dict[str, Any]:
    """Return a budget with its components, contributions largest first, or why there is none; numbers to 6 digits."""
    if isinstance(made, Unstated):
        return {"stated": False, "reasons": list(made.reasons)}
    return {
        "stated": True,
        "model": made.model,
        "components": [_component(each, made) for each in made.components],
        "standard_uncertainty_mm": _number(made.standard_mm),
        "degrees_of_freedom": made.degrees_of_freedom,
        "level_of_confidence": made.level,
        "coverage_factor": _number(made.coverage_factor),
        "uncertainty_mm": _number(made.expanded_mm),
        "improve": [
            {
                "quantities": [each.quantity for each in parts],
                "share": round(share, 4),
                "advice": parts[0].advice,
            }
            for parts, share in made.ranked()
            if share >= 0.005
        ],
        "assumed": list(made.assumed),
    }


def _component(each: Component, made: Budget) -> dict[str, Any]:
    own = (
        each.contribution * each.contribution / (made.standard_mm * made.standard_mm)
        if made.standard_mm
        else 0.0
    )
    return {
        "quantity": each.quantity,
        "value": each.value,
        "unit": each.unit,
        "source": each.source,
        "distribution": each.shape.value,
        "standard_uncertainty": _number(each.standard),
        "degrees_of_freedom": each.degrees_of_freedom,
        "sensitivity": _number(each.sensitivity),
        "contribution_mm": _number(each.contribution),
        "share": round(own, 4),
        "correlated_with": each.shared or None,
        "correlation": each.correlation if each.shared else None,
    }


def _number(value: float) -> float:
    return float(six_digits(value))
