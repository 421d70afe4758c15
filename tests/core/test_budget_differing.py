"""Which of several sizes a range and an ovality are between, and whose uncertainty counts in them."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench.budgeting import Unstated, form_budgets, of_result, result_budget
from gaugepost.core.bench.state import Member
from gaugepost.core.form import Place
from gaugepost.core.setup import Combine
from gaugepost.core.uncertainty import Budget
from gaugepost.core.uncertainty.differing import RANK
from gaugepost.core.uncertainty.rank import of_ends, of_range
from tests.core.station import BORE
from tests.core.test_budget_document import member
from tests.core.test_budget_rules import of_reading, stated
from tests.core.test_uncertainty_gauging import known

S = 0.0004
"""Declared standard deviation of one reading, in mm."""


def own(step_mm: float, readings: int = 1) -> float:
    """What is another error in each reading: repeatability of a mean, and resolution."""
    return math.sqrt(S**2 / readings + step_mm**2 / 12)


def ranged(
    sizes: tuple[str, ...], steps: tuple[str, ...], positions: tuple[str, ...] = (), **more: Any
) -> Budget:
    """Return the budget of a range of sizes, of readings with these steps."""
    entry = replace(
        BORE,
        combine=Combine.RANGE,
        positions=positions,
        readings=len(steps) // (len(positions) or len(steps)),
    )
    members = tuple(member(step_mm=D(step), **more) for step in steps)
    return stated(result_budget(known(), entry, members, tuple(map(D, sizes))))


def has_rank(made: Budget) -> bool:
    return any(each.quantity == RANK for each in made.components)


@pytest.mark.parametrize("steps", [("0.01", "0.001"), ("0.001", "0.01")])
def test_a_place_is_as_uncertain_as_its_worst_reading(steps: tuple[str, str]) -> None:
    """Of two readings at one place the coarser counts, at the other place as it is; both are means of two."""
    made = ranged(("38.200", "38.000"), (*steps, "0.001", "0.001"), positions=("a", "b"))
    assert made.standard_mm == pytest.approx(math.hypot(own(0.01, 2), own(0.001, 2)), rel=1e-6)


def test_equal_sizes_are_two_all_the_same() -> None:
    """A range of two equal sizes is of both, whichever is called the larger: the uncertainties of both are in it."""
    for steps in (("0.001", "0.002"), ("0.002", "0.001")):
        made = ranged(("38.010", "38.010"), steps)
        assert made.standard_mm == pytest.approx(math.hypot(own(0.001), own(0.002)), rel=1e-4)


@pytest.mark.parametrize("steps", [("0.001", "0.001", "0.001", "0.01"), ("0.01", "0.001", "0.001", "0.001")])
def test_near_is_what_the_worse_known_of_both_ends_can_not_tell_apart(steps: tuple[str, ...]) -> None:
    """5 µm below the largest is near where one end is known to 2.9 µm, and far where both are to 0.5 µm."""
    sizes = ("38.105", "38.103", "38.100", "38.000")
    linear = math.hypot(own(0.001), own(0.01))
    made = ranged(sizes, steps)
    assert has_rank(made)
    assert made.standard_mm == pytest.approx(linear * of_ends(3, 1) / 2**0.5, rel=1e-5)
    assert not has_rank(ranged(sizes, ("0.001",) * 4))


@pytest.mark.parametrize(
    ("sizes", "share"),
    [
        (("38.100", "38.000", "38.050"), 2**0.5),
        (("38.100", "38.000", "38.000"), of_ends(1, 2)),
        (("38.100", "38.000", "38.100"), of_ends(2, 1)),
        (("38.100", "38.000", "38.100", "38.000"), of_ends(2, 2)),
        (("38.001", "38.000", "38.000"), of_range(3)),
        (("38.004", "38.002", "38.000"), of_range(3)),
    ],
)
def test_how_many_could_be_the_largest_or_the_smallest(sizes: tuple[str, ...], share: float) -> None:
    """Far from both ends none, of equal largest or smallest all of them; where one could be either, all are one lot."""
    made = ranged(sizes, ("0.001",) * len(sizes))
    assert made.standard_mm == pytest.approx(share * own(0.001), rel=1e-5)


def test_derivation_3_stated_none_for_a_range() -> None:
    """Its records are derived again as they were, without; from 4 on a range has an uncertainty."""
    entry = replace(BORE, combine=Combine.RANGE, readings=2)
    sizes = (D("38.010"), D("38.000"))
    made = [result_budget(known(), entry, (member(), member()), sizes, derivation) for derivation in (3, 4)]
    assert [isinstance(each, Budget) for each in made] == [False, True]


CELLS = [
    Place(D(size), D(angle), D(depth))
    for depth, sizes in ((5, ("38.110", "38.000", "38.050")), (20, ("38.400", "38.402", "38.401")))
    for angle, size in zip((0, 60, 120), sizes, strict=True)
]


def figure(name: str, cells: list[Place], **more: Any) -> Budget:
    made = form_budgets(known(), BORE, cells, [(member(**more),) for _ in cells])
    assert isinstance(made, dict)
    return made[name]


def test_the_most_oval_depth_alone_counts_where_others_are_far_rounder() -> None:
    """110 µm at one depth, 2 µm at the other, wider one: nothing of the other's near sizes is in the ovality's u."""
    made = figure("ovality", CELLS)
    assert made.standard_mm == pytest.approx(own(0.001) * 2**0.5, rel=1e-5)
    assert not has_rank(made)
    twice = [
        replace(cell, size_mm=cell.size_mm - (D("0.4") if at > 2 else 0)) for at, cell in enumerate(CELLS)
    ]
    equal = [*twice[:3], *(replace(cell, depth_mm=D(20)) for cell in twice[:3])]
    of_both = figure("ovality", equal)
    assert of_both.standard_mm == pytest.approx(own(0.001) * of_range(3, 2), rel=1e-5)


def test_of_depths_with_more_and_with_fewer_angles_the_more_count() -> None:
    """Equal sizes, three at one depth and two at the other: the larger of two ranges of as many as the fuller depth."""
    round_ = [replace(cell, size_mm=D(38)) for cell in CELLS[:5]]
    assert figure("ovality", round_).standard_mm == pytest.approx(own(0.001) * of_range(3, 2), rel=1e-5)
    assert figure("ovality", round_[::-1]).standard_mm == pytest.approx(own(0.001) * of_range(3, 2), rel=1e-5)


@pytest.mark.parametrize("coarse", [0, 3])
def test_near_in_an_ovality_is_what_its_worse_known_end_can_not_tell_apart(coarse: int) -> None:
    """As in a range: 5 µm below the largest is near where one of both ends is known to 2.9 µm."""
    sizes = ("38.105", "38.103", "38.100", "38.000")
    cells = [Place(D(size), D(45 * at), D(5)) for at, size in enumerate(sizes)]
    members = [(member(step_mm=D("0.01") if at == coarse else D("0.001")),) for at in range(4)]
    made = form_budgets(known(), BORE, cells, members)
    assert isinstance(made, dict)
    linear = math.hypot(own(0.001), own(0.01))
    assert made["ovality"].standard_mm == pytest.approx(linear * of_ends(3, 1) / 2**0.5, rel=1e-5)


def test_a_form_of_which_one_place_is_not_known_has_none() -> None:
    """A place whose reading has no budget leaves no figure one, and it says why."""
    members: list[tuple[Member, ...]] = [(member(),) for _ in CELLS]
    members[3] = (member(mastered=None),)
    made = form_budgets(known(), BORE, CELLS, members)
    assert made == Unstated(("what bore-1 was mastered on is not known",))


@pytest.mark.parametrize(
    ("positions", "readings", "places", "at_each"), [((), 4, 4, 1), (("a", "b", "c"), 2, 3, 2)]
)
def test_a_range_is_expected_to_be_of_equal_sizes(
    positions: tuple[str, ...], readings: int, places: int, at_each: int
) -> None:
    """Before anything is measured it is the most that it can be: the range of so many equal sizes, each a mean."""
    entry = replace(BORE, combine=Combine.RANGE, positions=positions, readings=readings)
    made = stated(of_result(stated(of_reading(known(), entry)), entry))
    assert made.standard_mm == pytest.approx(own(0.001, at_each) * of_range(places), rel=1e-5)
    assert made.model == "R = Dmax − Dmin"
