"""The budget of a result that several readings make: its own, whatever they have in common and whatever they do not.

Errors that readings share come through whole: no more of them is in a mean or in any one size than in the most
uncertain reading; in a range of sizes they cancel. What repeats is divided by averaging, and grows where the largest or
smallest is taken.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal

from gaugepost.core.bench.budgeting.budgets import Unstated
from gaugepost.core.bench.budgeting.differing import (
    budgets_of,
    expected_range,
    member_budget,
    range_budget,
    sizes_of,
)
from gaugepost.core.bench.state import Member
from gaugepost.core.record import DERIVATION
from gaugepost.core.setup import CharacteristicEntry, Combine, SetUp
from gaugepost.core.uncertainty import Budget
from gaugepost.core.uncertainty.rank import of_largest, of_mean, of_median, of_mid_range

RANGE_UNSTATED = (
    "not stated for a range of sizes: what they have in common cancels, what repeats makes every range larger"
)
"""What derivation 3 said."""

_SHARE: dict[Combine, Callable[[int], float]] = {
    Combine.MEAN: of_mean,
    Combine.LARGEST: of_largest,
    Combine.SMALLEST: of_largest,
    Combine.MEDIAN: of_median,
    Combine.MID_RANGE: of_mid_range,
}
"""How much of what repeats comes through, by the number of sizes."""


def result_budget(
    set_up: SetUp,
    entry: CharacteristicEntry,
    members: tuple[Member, ...],
    sizes_mm: tuple[Decimal, ...] = (),
    derivation: int = DERIVATION,
) -> Budget | Unstated:
    """Return the budget of the result that readings make; why there is none, where one of them has none.

    `sizes_mm` are those that are ranked: one a place where repeats at places are averaged first.
    """
    if entry.combine is Combine.RANGE:
        if derivation < 4:
            return Unstated((RANGE_UNSTATED,))
        at_each = len(members) // len(sizes_mm)
        places = [members[at : at + at_each] for at in range(0, len(members), at_each)]
        return range_budget(set_up, entry, places, sizes_mm, derivation)
    stated = budgets_of(set_up, entry, members, derivation)
    if isinstance(stated, Unstated):
        return stated
    repeats_mm = max(made.repeats_mm for made in stated)
    return max(
        (_combined(made, entry, repeats_mm) for made in stated), key=lambda combined: combined.standard_mm
    )


def of_result(made: Budget | Unstated, entry: CharacteristicEntry) -> Budget | Unstated:
    """Return the budget of what is judged where each reading has the budget `made`: of that one, or of the result."""
    if isinstance(made, Unstated) or entry.combine is Combine.EACH:
        return made
    if entry.combine is Combine.RANGE:
        return expected_range(made, entry)
    return _combined(made, entry, made.repeats_mm)


def last_readings_budget(
    set_up: SetUp, entry: CharacteristicEntry, last: Member, readings: int
) -> Budget | Unstated:
    """Return the budget that derivation 2 gave to a result: the last reading's, of a mean where it is one."""
    return member_budget(set_up, entry, last, readings if entry.combine is Combine.MEAN else 1, derivation=2)


_kept: dict[tuple[int, int, float], tuple[Budget, CharacteristicEntry, Budget]] = {}
_MOST_KEPT = 256


def _combined(made: Budget, entry: CharacteristicEntry, repeats_mm: float) -> Budget:
    """Return the budget of a result of readings like `made`; the same for the same, as `budget_of`."""
    key = (id(made), id(entry), repeats_mm)
    found = _kept.get(key)
    if found is None:
        if len(_kept) >= _MOST_KEPT:
            _kept.clear()
        places, at_each = sizes_of(entry)
        share = _SHARE[entry.combine](places) * of_mean(at_each)
        combined = made.with_repeats(repeats_mm * share)
        if share > of_mean(at_each):
            note = f"{entry.combine} of {places} sizes: what repeats counts up to {share:.3g} times, as of equal sizes"
            combined = replace(combined, assumed=(*combined.assumed, note))
        found = _kept[key] = made, entry, combined
    return found[2]
