"""The budget of a result that several readings make."""

from __future__ import annotations

from gaugepost.core.bench.budgeting.budgets import Unstated, budget_of
from gaugepost.core.bench.state import Member
from gaugepost.core.setup import CharacteristicEntry, Combine, SetUp
from gaugepost.core.uncertainty import Budget


def member_budget(
    set_up: SetUp, entry: CharacteristicEntry, member: Member, readings: int = 1
) -> Budget | Unstated:
    """Return the budget of one of several readings, or of a mean over readings that are all as it is."""
    if member.mastered is None or member.gauge not in set_up.gauges:
        return Unstated((f"what {member.gauge} was mastered on is not known",))
    return budget_of(
        set_up,
        member.gauge,
        entry,
        member.mastered,
        member.scatter,
        member.part,
        member.gauge_at,
        member.utc_ms,
        member.step_mm,
        member.is_corrected,
        readings,
    )


def last_readings_budget(
    set_up: SetUp, entry: CharacteristicEntry, last: Member, readings: int
) -> Budget | Unstated:
    """Return the budget that derivation 2 gave to a result: the last reading's, of a mean where it is one."""
    return member_budget(set_up, entry, last, readings if entry.combine is Combine.MEAN else 1)
