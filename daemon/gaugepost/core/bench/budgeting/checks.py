"""The budget of a check: the master is measured as if it were a part."""

from __future__ import annotations

from decimal import Decimal
from functools import lru_cache

from gaugepost.core.bench.budgeting.budgets import Unstated, budget_of, step_mm_coarsest
from gaugepost.core.bench.state import Sourced, State
from gaugepost.core.quantity import Unit
from gaugepost.core.setup import Body, CharacteristicEntry, Feature, MasterEntry
from gaugepost.core.uncertainty import Budget


def check_budget(
    state: State,
    gauge: str,
    master: MasterEntry,
    master_at: Sourced | None,
    gauge_at: Sourced | None,
    utc_ms: int,
    step_mm: Decimal,
    is_corrected: bool,
    readings: int,
    derivation: int,
) -> Budget | Unstated:
    """Return the budget of what a check measured, a mean over its readings.

    It is that of the value, not of its error: on the master that the gauge was mastered on, that ring's own uncertainty
    is in the value and not in the error.
    """
    known = state.gauges[gauge]
    assert known.mastered is not None
    return budget_of(
        state.set_up, gauge, _as_part(master), known.mastered, known.scatter, master_at, gauge_at, utc_ms,
        step_mm_coarsest(step_mm, state.set_up.gauges[gauge]), is_corrected, readings, Body.MASTER,
        derivation,
    )  # fmt: skip


@lru_cache(maxsize=256)
def _as_part(master: MasterEntry) -> CharacteristicEntry:
    return CharacteristicEntry(
        name=master.name,
        feature=Feature.BORE,
        unit=Unit.MM,
        nominal_mm=master.size_mm,
        step=Decimal("0.0001"),
        coefficient=master.coefficient,
        coefficient_half_width=master.coefficient_half_width,
        gauges=(),
    )
