"""The budget of a difference between sizes of one part: a range, an ovality, a taper (JCGM 100:2008, 5.2).

What sizes have in common cancels in their difference: the master, its mastering, coefficients, and temperatures that
were taken the same. What is another error in each reading does not: repeatability, resolution, and the gauge's own
error, since nothing says how far that is the same at two indications. Lengths in mm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from gaugepost.core.uncertainty.budget import Budget, budget
from gaugepost.core.uncertainty.component import Component

RANK = "rank of near sizes (not linear)"
"""The term beside the linear ones: which of near sizes is the largest, what repeats in them decides too."""
COMMON = (
    "taken as the same at all places, so that they cancel: masters, mastering, coefficients, temperatures"
)
_NOISE = 1e-9
"""What is left of a contribution that cancels, as a share of what it was: the last digits of a float."""


@dataclass(frozen=True, slots=True)
class Size:
    """One size that takes part: the budget of a reading of it, of which it is a mean over `readings`."""

    budget: Budget
    weight: float
    """How much of it is in the difference; all weights come to 0."""
    readings: int = 1
    mastering: object = None
    """What is the same for sizes under one mastering of one gauge."""

    @property
    def own_mm(self) -> float:
        """What is another error in each reading of it, as a standard uncertainty."""
        squares = (
            each.contribution**2 / (self.readings if each.repeats else 1)
            for each in self.budget.components
            if each.new_at == "reading"
        )
        return math.sqrt(sum(squares))


def of_difference(sizes: Sequence[Size], excess: float = 1.0, model: str = "") -> Budget:
    """Return the budget of the weighted sum of sizes, at the level of the first one's.

    `excess` is how many times what is each reading's own comes through at the most, over what is linear, because which
    sizes are taken hangs on it too.
    """
    first = sizes[0]
    is_one = all(size.budget is first.budget and size.mastering == first.mastering for size in sizes)
    components = _own(sizes)
    linear_mm = math.sqrt(sum(each.contribution**2 for each in components))
    if not is_one:  # else all that they have in common cancels
        components += _left(sizes)
    if excess > 1 and linear_mm:
        components.append(_rank(linear_mm * math.sqrt(excess * excess - 1), excess, sizes))
    assumed = dict.fromkeys(note for size in sizes for note in size.budget.assumed)
    return budget(tuple(components), level=first.budget.level, model=model, assumed=(*assumed, COMMON))


def _own(sizes: Sequence[Size]) -> list[Component]:
    """Return what is another error in each reading, one component for each that is as large in all that have it."""
    of_sizes: dict[tuple[int, int], tuple[Size, float]] = {}
    for size in sizes:
        key = id(size.budget), size.readings
        of_sizes[key] = size, of_sizes.get(key, (size, 0.0))[1] + size.weight * size.weight
    own: dict[int, tuple[Component, float]] = {}
    for size, square in of_sizes.values():
        for each in size.budget.components:
            if each.new_at == "reading":
                part = square / size.readings if each.repeats else square
                own[id(each)] = each, own.get(id(each), (each, 0.0))[1] + part
    return [replace(each, sensitivity=each.sensitivity * math.sqrt(square)) for each, square in own.values()]


def _left(sizes: Sequence[Size]) -> list[Component]:
    """Return what is left of the errors that sizes have in common, where they do not have the same of them."""
    common: dict[tuple[str, str, object], tuple[Component, float, float]] = {}
    for size in sizes:
        for each in size.budget.components:
            if each.new_at == "reading":
                continue
            # Another thermometer has another error; another mastering has too, of what belongs to it.
            source = each.source if each.unit == "°C" else ""
            key = (each.quantity, source, size.mastering if each.new_at == "mastering" else None)
            part = size.weight * each.contribution
            most, left, whole = common.get(key, (each, 0.0, 0.0))
            most = each if each.standard > most.standard else most
            common[key] = most, left + part, whole + abs(part)
    return [
        replace(each, sensitivity=left / each.standard)
        for each, left, whole in common.values()
        if abs(left) > _NOISE * whole
    ]


def _rank(standard_mm: float, excess: float, sizes: Sequence[Size]) -> Component:
    degrees = [
        each.degrees_of_freedom
        for size in sizes
        for each in size.budget.components
        if each.repeats and each.degrees_of_freedom is not None
    ]
    return Component(
        quantity=RANK,
        standard=standard_mm,
        degrees_of_freedom=min(degrees, default=None),
        estimate="repeatability",
        source=f"at most {excess:.3g} times what is linear",
        advice="a mean of several readings at each place",
    )
