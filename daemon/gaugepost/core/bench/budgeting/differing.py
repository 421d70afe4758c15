"""The budgets of what sizes of one bore differ by: the range of sizes, and what places show of the form."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from gaugepost.core.bench.budgeting.budgets import Unstated, budget_of
from gaugepost.core.bench.state import Member
from gaugepost.core.form import Place, Weights, weights_of
from gaugepost.core.record import DERIVATION
from gaugepost.core.setup import CharacteristicEntry, SetUp
from gaugepost.core.uncertainty import Budget
from gaugepost.core.uncertainty.differing import Size, of_difference
from gaugepost.core.uncertainty.rank import of_ends, of_farthest, of_range

RANGE_MODEL = "R = Dmax − Dmin"
STRETCHED = "what two masters stretch in it goes with the range, and is left out until sizes are measured"
SURE_OF_RANK = 6.0
"""Sizes that are so many of their own standard uncertainties apart are in their true order: all but 2 in 100,000."""
TWO = 1.41421
"""√2, to 6 digits as all shares are: what repeats, in a difference of two (`of_ends(1, 1)`)."""


def member_budget(
    set_up: SetUp,
    entry: CharacteristicEntry,
    member: Member,
    readings: int = 1,
    derivation: int = DERIVATION,
    size_mm: Decimal | None = None,
) -> Budget | Unstated:
    """Return the budget of one of several readings, or of a mean over such; `size_mm` of one side of a difference."""
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
        derivation=derivation,
        value_mm=member.value_mm if size_mm is None else size_mm,
        in_difference=size_mm is not None,
    )


def budgets_of(
    set_up: SetUp,
    entry: CharacteristicEntry,
    members: Sequence[Member],
    derivation: int,
    size_mm: Decimal | None = None,
) -> tuple[Budget, ...] | Unstated:
    """Return the budgets of readings, one for each that is another; why there is none, where one of them has none."""
    made_of = (member_budget(set_up, entry, each, derivation=derivation, size_mm=size_mm) for each in members)
    found = {id(made): made for made in made_of}
    stated = tuple(made for made in found.values() if isinstance(made, Budget))
    if len(stated) == len(found):
        return stated
    lacking = (made.reasons for made in found.values() if isinstance(made, Unstated))
    return Unstated(tuple(dict.fromkeys(reason for reasons in lacking for reason in reasons)))


def size_of(
    set_up: SetUp,
    entry: CharacteristicEntry,
    members: Sequence[Member],
    weight: float,
    size_mm: Decimal,
    derivation: int,
) -> Size | Unstated:
    """Return what one place's readings make, as one side of a difference: as uncertain as the worst of them."""
    budgets = budgets_of(set_up, entry, members, derivation, size_mm)
    if isinstance(budgets, Unstated):
        return budgets
    worst = max(budgets, key=lambda made: made.standard_mm)
    under = frozenset((each.gauge, each.mastered.sequence) for each in members if each.mastered is not None)
    return Size(worst, weight, len(members), under)


def range_budget(
    set_up: SetUp,
    entry: CharacteristicEntry,
    places: Sequence[Sequence[Member]],
    sizes_mm: Sequence[Decimal],
    derivation: int = DERIVATION,
) -> Budget | Unstated:
    """Return the budget of the range of sizes, of which each is a place's, or a reading's.

    Linear where one size is far above all others and one far below. Where near sizes could be in another order, the
    most that a range of such sizes can be off is stated, as root mean square.
    """
    largest = sizes_mm.index(max(sizes_mm))
    smallest = max(at for at, size in enumerate(sizes_mm) if size == min(sizes_mm))
    ends = []
    for at, weight in ((largest, 1.0), (smallest, -1.0)):
        found = size_of(set_up, entry, places[at], weight, sizes_mm[at], derivation)
        if isinstance(found, Unstated):
            return found
        ends.append(found)
    own_mm = max(size.own_mm for size in ends)
    return _difference(ends[0], ends[1], _share((sizes_mm,), own_mm))


_kept: dict[tuple[object, ...], tuple[Size, Size, Budget]] = {}
_MOST_KEPT = 256


def _difference(largest: Size, smallest: Size, share: float) -> Budget:
    """Return the budget of a range; the same for the same, as `budget_of`."""
    ends = (largest, smallest)
    key = (*((id(end.budget), end.readings, end.mastering) for end in ends), share)
    found = _kept.get(key)
    if found is None:
        if len(_kept) >= _MOST_KEPT:
            _kept.clear()
        found = _kept[key] = largest, smallest, of_difference(ends, share / TWO, RANGE_MODEL)
    return found[2]


def _share(ranges: Sequence[Sequence[Decimal]], own_mm: float) -> float:
    """Return how much of what is each reading's own comes through in the largest of ranges of sizes, at the most."""
    sure_mm = SURE_OF_RANK * own_mm
    spreads = [max(sizes) - min(sizes) for sizes in ranges]
    rivals = [
        sizes
        for sizes, spread in zip(ranges, spreads, strict=True)
        if float(max(spreads) - spread) <= sure_mm
    ]
    if len(rivals) > 1:
        return of_range(max(map(len, rivals)), len(rivals))
    sizes = rivals[0]
    top = [at for at, size in enumerate(sizes) if float(max(sizes) - size) <= sure_mm]
    bottom = [at for at, size in enumerate(sizes) if float(size - min(sizes)) <= sure_mm]
    either = {*top, *bottom}
    if len(either) < len(top) + len(bottom):
        return of_range(len(either))
    return of_ends(len(top), len(bottom))


def sizes_of(entry: CharacteristicEntry) -> tuple[int, int]:
    """Return how many sizes a result is made of, and of how many readings each is the mean."""
    return (len(entry.positions), entry.readings) if entry.positions else (entry.readings, 1)


def expected_range(made: Budget, entry: CharacteristicEntry) -> Budget:
    """Return the budget of a range where each reading has the budget `made`: the most it can be, of equal sizes."""
    places, at_each = sizes_of(entry)
    ends = [Size(made, weight, at_each) for weight in (1.0, -1.0)]
    found = of_difference(ends, of_range(places) / TWO, RANGE_MODEL)
    if sum(each.quantity.startswith("size of ") for each in made.components) > 1:
        return replace(found, assumed=(*found.assumed, STRETCHED))
    return found


def form_budgets(
    set_up: SetUp,
    entry: CharacteristicEntry,
    cells: Sequence[Place],
    members: Sequence[Sequence[Member]],
    derivation: int = DERIVATION,
) -> dict[str, Budget] | Unstated:
    """Return the budgets of what places show of the form, by figure; each cell is made of the members at its place."""
    sizes = []
    for cell, taken in zip(cells, members, strict=True):
        found = size_of(set_up, entry, taken, 0.0, cell.size_mm, derivation)
        if isinstance(found, Unstated):
            return found
        sizes.append(found)
    return {figure: _figure_budget(sizes, weights, cells) for figure, weights in weights_of(cells).items()}


def _figure_budget(sizes: Sequence[Size], weights: Weights, cells: Sequence[Place]) -> Budget:
    taken = [
        replace(size, weight=weight) for size, weight in zip(sizes, weights.of_cells, strict=True) if weight
    ]
    excess = of_farthest(weights.depths)
    if weights.ranges:
        ranges = [[cells[at].size_mm for at in angles] for angles in weights.ranges]
        excess = _share(ranges, max(size.own_mm for size in taken)) / TWO
    return of_difference(taken, excess)
