"""What figures of a form are linear in: as much of each place's size as makes the very figure that is shown."""

from __future__ import annotations

from decimal import Decimal as D

import pytest
from hypothesis import example, given, settings, strategies as st

from gaugepost.core.form import Place, form_of, weights_of
from gaugepost.core.form.weights import Weights

SIZES = st.integers(0, 40).map(lambda tenths: D(38) + D(tenths).scaleb(-4))
DEPTHS = st.one_of(st.none(), st.integers(0, 60).map(lambda mm: D(mm) / 2))
ANGLES = st.one_of(st.none(), st.sampled_from([D(0), D(45), D(90), D(120)]))


@st.composite
def bores(draw: st.DrawFn) -> list[Place]:
    """Cells at any depths and angles, each once, in any order."""
    grid = [
        (depth, angle)
        for depth in draw(st.lists(DEPTHS, min_size=1, max_size=4, unique=True))
        for angle in draw(st.lists(ANGLES, min_size=1, max_size=3, unique=True))
    ]
    return [Place(draw(SIZES), angle, depth) for depth, angle in draw(st.permutations(grid))]


def weighed(weights: Weights, cells: list[Place]) -> float:
    """Return the sum of the cells' sizes, as much of each as its weight."""
    made = zip(weights.of_cells, cells, strict=True)
    return sum(weight * float(cell.size_mm - 38) for weight, cell in made)


@settings(max_examples=50)
@given(bores())
def test_weights_make_the_figure_that_is_shown(cells: list[Place]) -> None:
    """Ovality, taper, barrel and bell-mouth of `form_of` are the weighted sums; what is common to all sizes cancels."""
    form = form_of(Place(cell.size_mm, cell.angle_deg, cell.depth_mm) for cell in cells)
    found = weights_of(cells)
    shown = {
        name: figure
        for name in ("ovality", "taper", "barrel", "bell_mouth")
        if (figure := getattr(form, f"{name}_mm")) is not None
    }
    assert set(found) == set(shown)
    for name, figure in shown.items():
        assert sum(found[name].of_cells) == pytest.approx(0, abs=1e-12)
        value = weighed(found[name], cells)
        if name == "bell_mouth":
            value = max(0.0, value)
        if name == "barrel":  # of two that depart as much either way, either is the farthest
            value, figure = abs(value), abs(figure)
        assert value == pytest.approx(float(figure), abs=2e-6), name


EQUAL = [Place(D("38.010"), D(angle), D(depth)) for depth in (5, 20) for angle in (0, 90)]


@settings(max_examples=30)
@example(EQUAL)
@example(EQUAL[:2])
@example(EQUAL[1:])
@given(bores())
def test_an_ovality_is_between_two_at_one_depth_and_names_its_rivals(cells: list[Place]) -> None:
    """One size less another at its depth, even where all are equal; rivals are the depths with two angles or more."""
    found = weights_of(cells).get("ovality")
    if found is None:
        return
    ((high, plus), (low, minus)) = sorted(
        ((at, weight) for at, weight in enumerate(found.of_cells) if weight), key=lambda each: -each[1]
    )
    assert (plus, minus) == (1, -1)
    assert cells[high].depth_mm == cells[low].depth_mm
    angled = {at for at, cell in enumerate(cells) if cell.angle_deg is not None}
    assert {high, low} <= angled
    for at in found.ranges:
        assert len(at) > 1
        same = {each for each in angled if cells[each].depth_mm == cells[at[0]].depth_mm}
        assert set(at) == same
    alone = [cell.depth_mm for at, cell in enumerate(cells) if at in angled]
    assert {cells[at[0]].depth_mm for at in found.ranges} == {d for d in alone if alone.count(d) > 1}


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 0, 1), (1, 2, 0)])
def test_an_ovality_is_the_largest_less_the_smallest(order: tuple[int, ...]) -> None:
    """Wherever they stand, of the depth that is most oval: its three sizes in any order, a depth beside."""
    sizes = [(D("38.010"), 1.0), (D("38.000"), -1.0), (D("38.005"), 0.0)]
    cells = [Place(sizes[at][0], D(60 * at), D(5)) for at in order]
    round_ = [Place(D("38.020") + D(at).scaleb(-3), D(60 * at), D(20)) for at in order]
    wanted = [sizes[at][1] for at in order]
    assert weights_of(cells + round_)["ovality"].of_cells == (*wanted, 0, 0, 0)
    assert weights_of(round_ + cells)["ovality"].of_cells == (0, 0, 0, *wanted)


@pytest.mark.parametrize(("depths", "between"), [(3, 1), (4, 2), (7, 5)])
def test_a_barrel_is_the_farthest_of_the_depths_between_the_ends(depths: int, between: int) -> None:
    """Of so many it is the largest either way: what repeats in each can make it that."""
    cells = [Place(D(38) + D(at % 3).scaleb(-3), None, D(at * at)) for at in range(depths)]
    made = weights_of(cells)
    assert made["barrel"].depths == between
    assert (made["taper"].depths, made["taper"].ranges) == (1, ())
    assert made["barrel"].ranges == made["bell_mouth"].ranges == ()


def test_the_line_between_three_depths() -> None:
    """At a quarter of the way the straight line has ¾ of one end and ¼ of the other; outside it, 1 + ⅓ and −⅓."""
    cells = [Place(D(38), None, D(depth)) for depth in (0, 10, 40)]
    made = weights_of(cells)
    assert made["barrel"].of_cells == pytest.approx((-0.75, 1.0, -0.25))
    assert made["bell_mouth"].of_cells == pytest.approx((1.0, -4 / 3, 1 / 3))
    assert made["taper"].of_cells == (-1.0, 0.0, 1.0)
