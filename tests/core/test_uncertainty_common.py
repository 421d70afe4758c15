"""What sizes have in common cancels in their difference, and what is another error in each does not: line by line."""

from __future__ import annotations

import math
from typing import Any

import pytest

from gaugepost.core.uncertainty import Budget, Component, budget
from gaugepost.core.uncertainty.differing import COMMON, RANK, Size, of_difference


def line(quantity: str, standard: float, **more: Any) -> Component:
    return Component(quantity=quantity, standard=standard, **more)


def own(standard: float, **more: Any) -> Component:
    """What repeats, and is another error in each reading."""
    return line("repeatability", standard, new_at="reading", repeats=True, estimate="repeatability", **more)


def lines(made: Budget) -> dict[str, Component]:
    return {each.quantity: each for each in made.components}


def test_of_a_size_its_own_is_what_each_reading_has_anew() -> None:
    """Of a mean of four, half of what repeats, and all of the resolution; the ring is not its own."""
    one = budget((own(0.6), line("resolution", 0.4, new_at="reading"), line("ring", 5.0)))
    assert Size(one, 1.0, readings=4).own_mm == pytest.approx(0.5)
    assert Size(one, -0.5).own_mm == pytest.approx(math.hypot(0.6, 0.4))


def test_a_line_in_common_cancels_as_far_as_it_is_the_same() -> None:
    """Of a coefficient that counts 2 in one size and 1 in the other, 1 is left, signed as the first (GUM (13))."""
    one, other = (budget((line("coefficient", 2.0, sensitivity=c), own(0.1))) for c in (1.0, 0.5))
    for first, second, left in ((one, other, 1.0), (other, one, -1.0)):
        made = of_difference([Size(first, 1.0), Size(second, -1.0)])
        assert lines(made)["coefficient"].contribution == pytest.approx(left)
        assert made.standard_mm == pytest.approx(math.sqrt(1 + 2 * 0.01))


def test_what_cancels_is_no_line_of_the_budget() -> None:
    """Three sizes with weights of 1, −0.7 and −0.3 leave nothing of their ring, no last digit either."""
    sizes = [
        Size(budget((line("ring", 0.1), line("exact", 0.0), own(u))), weight)
        for weight, u in ((1.0, 0.01), (-0.7, 0.02), (-0.3, 0.03))
    ]
    made = of_difference(sizes)
    assert set(lines(made)) == {"repeatability"}
    squares = (0.01**2, (0.7 * 0.02) ** 2, (0.3 * 0.03) ** 2)
    assert made.standard_mm == pytest.approx(math.sqrt(sum(squares)))
    near = [Size(budget((line("ring", u),)), weight) for u, weight in ((1e-7, 1.0), (0.995e-7, -1.0))]
    assert of_difference(near).standard_mm == pytest.approx(5e-10), "however small, what is left is there"


@pytest.mark.parametrize(("first", "second"), [(1.0, 3.0), (3.0, 1.0)])
def test_what_is_left_is_shown_with_the_larger_uncertainty(first: float, second: float) -> None:
    """A line of both, known otherwise in each, stands there as the worse known one."""
    sizes = [Size(budget((line("ring", u),)), weight) for u, weight in ((first, 1.0), (second, -1.0))]
    ring = lines(of_difference(sizes))["ring"]
    assert ring.standard == 3.0
    assert ring.contribution == pytest.approx(first - second)


def test_another_thermometer_has_another_error_but_a_ring_is_the_ring() -> None:
    """Temperatures cancel where one thermometer showed both; a ring with two sources is one ring."""

    def left(unit: str, *sources: str) -> float:
        sizes = [
            Size(budget((line("x", 0.5, unit=unit, source=source),)), weight)
            for source, weight in zip(sources, (1.0, -1.0), strict=True)
        ]
        return of_difference(sizes).standard_mm

    assert left("°C", "measured by t-1", "measured by t-1") == 0
    assert left("°C", "measured by t-1", "measured by t-2") == pytest.approx(0.5 * 2**0.5)
    assert left("mm", "certificate 1", "certificate 2") == 0


def test_another_mastering_has_another_error_of_what_belongs_to_it() -> None:
    """Of one reading's budget under two masterings the mastering's mean counts twice, the ring not at all."""
    one = budget((line("mean at mastering", 0.3, new_at="mastering"), line("ring", 5.0), own(0.4)))
    anew = of_difference([Size(one, 1.0, mastering=1), Size(one, -1.0, mastering=2)])
    assert anew.standard_mm == pytest.approx(0.5 * 2**0.5)
    same = of_difference([Size(one, 1.0, mastering=1), Size(one, -1.0, mastering=1)])
    assert same.standard_mm == pytest.approx(0.4 * 2**0.5)


@pytest.mark.parametrize("excess", [1.0, 0.9, 1.5])
def test_the_rank_of_near_sizes_multiplies_what_is_their_own(excess: float) -> None:
    """At most so many times what is linear; a line of its own where it is more, and only there."""
    one = budget((own(3.0), line("resolution", 4.0, new_at="reading"), line("ring", 50.0)))
    made = of_difference([Size(one, 1.0), Size(one, -1.0)], excess, "R = Dmax − Dmin")
    assert made.standard_mm == pytest.approx(5 * 2**0.5 * max(1.0, excess))
    assert (RANK in lines(made)) == (excess > 1)
    exact = budget((line("ring", 50.0),))
    none = of_difference([Size(exact, 1.0), Size(exact, -1.0)], excess)
    assert none.components == ()


def test_a_rank_is_as_well_known_as_what_repeats() -> None:
    """It rests on the same estimate, so that its degrees of freedom are those of that, of two the fewer."""
    four = budget((own(1.0, degrees_of_freedom=4.0),))
    made = of_difference([Size(four, 1.0), Size(four, -1.0)], 1.5)
    assert made.degrees_of_freedom == 4
    step = line("resolution", 1.0, new_at="reading", degrees_of_freedom=2.0)
    nine = budget((own(1.0, degrees_of_freedom=9.0), step))
    for sizes in ([Size(four, 1.0), Size(nine, -1.0)], [Size(nine, 1.0), Size(four, -1.0)]):
        assert lines(of_difference(sizes, 1.5))[RANK].degrees_of_freedom == 4
    endless = budget((own(1.0),))
    rank = lines(of_difference([Size(endless, 1.0), Size(endless, -1.0)], 1.5))[RANK]
    assert rank.degrees_of_freedom is None


def test_a_difference_is_stated_as_its_sizes_are() -> None:
    """At their level of confidence, with what was assumed of either once, and that what is common cancels."""
    one = budget((own(1.0),), level=0.99, assumed=("still air", "no error declared"))
    other = budget((own(1.0),), level=0.99, assumed=("still air",))
    made = of_difference([Size(one, 1.0), Size(other, -1.0)], 1.0, "R")
    assert (made.level, made.model) == (0.99, "R")
    assert made.assumed == ("still air", "no error declared", COMMON)
    assert made.coverage_factor == pytest.approx(2.576, abs=5e-4)
