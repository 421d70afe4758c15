"""What must hold of any budget, whatever is in it: combination, effective degrees of freedom, shares, means."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings, strategies as st
from scipy import stats

from gaugepost.core.uncertainty import Component, Shape, budget, combine, coverage, from_half_width

MICROMETRES = st.floats(0.01, 10.0).map(lambda number: number * 1e-3)
DEGREES = st.integers(1, 60).map(float)
SIGNED = st.tuples(MICROMETRES, st.sampled_from([-1.0, 1.0]))


def line(standard: float, **more: object) -> Component:
    """A line of a budget, in mm."""
    return Component(**({"quantity": "x", "standard": standard} | more))  # type: ignore[arg-type]


def freedom(*lines: Component) -> float:
    found = combine(lines).degrees_of_freedom
    assert found is not None
    return found


@settings(max_examples=15)
@given(st.lists(st.tuples(MICROMETRES, DEGREES), min_size=1, max_size=6))
def test_effective_degrees_lie_between_the_fewest_and_all_together(known: list[tuple[float, float]]) -> None:
    """Welch and Satterthwaite: ν_eff is never below the smallest νᵢ, nor above the sum of all (GUM, G.4.1)."""
    found = freedom(*(line(u, degrees_of_freedom=few) for u, few in known))
    every = [few for _, few in known]
    assert min(every) * (1 - 1e-9) <= found <= sum(every) * (1 + 1e-9)


@settings(max_examples=15)
@given(MICROMETRES, DEGREES, DEGREES)
def test_two_equal_estimates_have_the_harmonic_mean_of_theirs_twice(
    u: float, one: float, other: float
) -> None:
    """At u₁ = u₂ (G.2b) is 4/(1/ν₁ + 1/ν₂): two estimates as good as each other have both their degrees."""
    found = freedom(line(u, degrees_of_freedom=one), line(u, degrees_of_freedom=other))
    assert found == pytest.approx(4 / (1 / one + 1 / other))
    assert freedom(*[line(u, degrees_of_freedom=one)] * 2) == pytest.approx(2 * one)


@settings(max_examples=15)
@given(MICROMETRES, DEGREES, DEGREES)
def test_what_vanishes_leaves_the_others_degrees(u: float, one: float, other: float) -> None:
    """As u₂ goes to 0, ν_eff goes to ν₁; beside a u known without end that rules, it goes there too."""
    first = line(u, degrees_of_freedom=one)
    assert freedom(first, line(u * 1e-6, degrees_of_freedom=other)) == pytest.approx(one)
    assert freedom(first, line(0.0, degrees_of_freedom=other)) == pytest.approx(one)
    assert freedom(first, line(u)) == pytest.approx(4 * one), "twice the variance, squared (G.2b)"
    assert freedom(first, line(u * 1e3)) > 1e11


def test_what_is_known_without_end_has_no_degrees() -> None:
    """Bounds, certificates without ν, and nothing at all leave degrees of freedom without end."""
    for lines in ([], [line(0.0)], [line(0.001)], [line(0.0, degrees_of_freedom=3.0)]):
        assert combine(lines).degrees_of_freedom is None
    assert combine([]).standard_mm == 0
    assert budget((line(0.001),)).coverage_factor == pytest.approx(2, abs=1e-4)


@settings(max_examples=15)
@given(st.lists(SIGNED, min_size=1, max_size=5), st.integers(1, 40))
def test_one_estimate_in_many_places_is_no_better_known(parts: list[tuple[float, float]], few: int) -> None:
    """Components that rest on one s have its degrees once, however many they are; of two estimates, both count."""

    def lines(*estimates: str) -> list[Component]:
        return [
            line(u, sensitivity=sign, degrees_of_freedom=float(few), estimate=estimates[at % len(estimates)])
            for at, (u, sign) in enumerate(parts * 2)
        ]

    assert freedom(*lines("s")) == pytest.approx(few)
    assert freedom(*lines("s", "")) >= few * (1 - 1e-9)
    assert freedom(*[replace(each, estimate="") for each in lines("s")]) > few * 1.5
    two = [line(0.001, degrees_of_freedom=5.0, estimate=name) for name in ("s", "t")]
    assert freedom(*two) == pytest.approx(10)
    other = [line(0.001, degrees_of_freedom=few, estimate="s") for few in (5.0, 20.0)]
    assert freedom(*other) == pytest.approx(16), "an estimate with other degrees is another"


@settings(max_examples=15)
@given(st.lists(SIGNED, min_size=2, max_size=5))
def test_full_correlation_adds_errors_with_their_signs(parts: list[tuple[float, float]]) -> None:
    """With r = 1 everywhere u_c is the sum of the contributions, as GUM 5.2.2, note 1, has it; with 0 the root."""
    made = [line(u, sensitivity=sign, shared="steel", correlation=1.0) for u, sign in parts]
    assert combine(made).standard_mm == pytest.approx(abs(sum(u * sign for u, sign in parts)), abs=1e-9)
    apart = [replace(each, correlation=0.0) for each in made]
    root = math.sqrt(sum(u * u for u, _ in parts))
    assert combine(apart).standard_mm == pytest.approx(root)
    named = [replace(each, shared=f"thermometer {at}") for at, each in enumerate(made)]
    assert combine(named).standard_mm == pytest.approx(root), "what shares nothing is independent"
    assert combine([replace(each, shared="") for each in made]).standard_mm == pytest.approx(root)


def test_what_cancels_leaves_nothing() -> None:
    """Where fully correlated errors cancel, rounding leaves no variance below 0 to take the root of."""
    for parts in ((0.1, 0.2, -0.3), (0.7, 0.1, -0.8), (1.1, 2.2, -3.3)):
        made = [line(abs(u), sensitivity=math.copysign(1, u), shared="s", correlation=1.0) for u in parts]
        assert combine(made).standard_mm == pytest.approx(0, abs=1e-7)


def test_two_are_correlated_by_the_less_of_what_each_says() -> None:
    """Of GUM (13): u² = a² + b² + 2·r·a·b; where one says less of r than the other, less is taken."""
    first = line(3.0, shared="steel", correlation=0.875)
    second = line(2.0, sensitivity=-2.0, shared="steel", correlation=0.5)
    assert combine([first, second]).standard_mm ** 2 == pytest.approx(9 + 16 - 2 * 0.5 * 12)


@settings(max_examples=15)
@given(st.lists(SIGNED, min_size=1, max_size=5))
def test_shares_are_of_the_whole_and_largest_first(parts: list[tuple[float, float]]) -> None:
    """What to improve first stands first; shares of what is independent make 1, and one of them is u²/u_c²."""
    made = budget(tuple(line(u, quantity=f"{at}", sensitivity=sign) for at, (u, sign) in enumerate(parts)))
    ranked = made.ranked()
    assert sum(share for _, share in ranked) == pytest.approx(1)
    assert [share for _, share in ranked] == sorted((share for _, share in ranked), reverse=True)
    ((first, *_), share) = ranked[0]
    assert share == pytest.approx(max(u for u, _ in parts) ** 2 / made.standard_mm**2)
    assert first.standard == max(u for u, _ in parts)


def test_what_shares_an_error_is_improved_together() -> None:
    """Two that one thermometer showed are one line of the list: their errors add up to 7 of the 7.07 that there are."""
    pair = [line(u, quantity=f"{u}", shared="thermometer", correlation=1.0) for u in (3.0, 4.0)]
    made = budget((line(1.0, quantity="ring"), *pair))
    (first, share), (second, rest) = made.ranked()
    assert first == tuple(pair)
    assert share == pytest.approx(49 / 50)
    assert rest == pytest.approx(1 / 50)
    assert [each.quantity for each in second] == ["ring"]


def test_nothing_uncertain_has_nothing_to_improve() -> None:
    """A budget of zeros has shares of 0, and an expanded uncertainty of 0."""
    made = budget((line(0.0), line(0.0, repeats=True)))
    assert [share for _, share in made.ranked()] == [0.0, 0.0]
    assert made.expanded_mm == 0
    assert made.with_repeats(0.5) == made


REPEATS = (line(3.0, repeats=True), line(4.0, sensitivity=-1.0, repeats=True), line(12.0))


def test_what_repeats_is_what_a_mean_divides() -> None:
    """√(3² + 4²) repeats beside 12 that does not: 13 for one reading, and √(144 + 25/n) for a mean over n."""
    made = budget(REPEATS)
    assert made.repeats_mm == pytest.approx(5)
    assert made.standard_mm == pytest.approx(13)
    for readings in (1, 2, 4, 25):
        assert made.of_mean(readings).standard_mm == pytest.approx(math.sqrt(144 + 25 / readings))
        assert made.of_mean(readings).repeats_mm == pytest.approx(5 / math.sqrt(readings))


@settings(max_examples=15)
@given(st.floats(0.1, 100.0))
def test_what_repeats_can_be_another(repeats: float) -> None:
    """A rank-order size has its own share of it: then u² = 12² + that²."""
    made = budget(REPEATS).with_repeats(repeats)
    assert made.repeats_mm == pytest.approx(repeats)
    assert made.standard_mm == pytest.approx(math.hypot(12, repeats))


def test_a_means_budget_is_stated_as_its_readings_are() -> None:
    """Model, what was assumed and level of confidence are those of the readings."""
    made = budget(REPEATS, level=0.99, model="D = x", assumed=("still air",))
    for other in (made.of_mean(4), made.with_repeats(1.0)):
        assert (other.level, other.model, other.assumed) == (0.99, "D = x", ("still air",))
        assert other.coverage_factor == pytest.approx(2.576, abs=0.001), "z of 0.995: GUM, table G.1"


@pytest.mark.parametrize(
    ("effective", "whole"),
    [(16.7, 16), (16.0, 16), (1.99, 1), (0.4, 1), (9999.0, 9999), (10_000.0, None), (1e9, None)],
)
def test_degrees_are_truncated_and_many_are_without_end(effective: float, whole: int | None) -> None:
    """ν_eff goes down to the next whole number (GUM, G.4.1), not below 1; 10 000 change nothing in k of 2.00."""
    made = budget((line(0.001, degrees_of_freedom=effective),))
    assert made.degrees_of_freedom == whole
    nearest = stats.norm if whole is None else stats.t(whole)
    assert made.coverage_factor == pytest.approx(float(nearest.ppf(0.97725)), rel=1e-5)


def test_a_hair_of_rounding_costs_no_degree() -> None:
    """Three estimates of one s in equal parts have 3·7 degrees; a sum that comes to 20.999… is those 21."""
    for few in (7, 11, 13, 49):
        for equal in (3, 6, 7, 11):
            made = budget(tuple(line(0.1 + 0.2, degrees_of_freedom=float(few)) for _ in range(equal)))
            assert made.degrees_of_freedom == few * equal


@pytest.mark.parametrize("level", [0.0, 1.0, -0.5, 1.5, math.nan])
def test_a_level_is_between_0_and_1(level: float) -> None:
    """No confidence at all, and certainty, have no coverage factor."""
    with pytest.raises(ValueError, match="level of confidence is between 0 and 1"):
        coverage(level, 5)


@pytest.mark.parametrize("few", [0.5, 0.25, 0.1])
def test_a_level_of_any_size_between_has_one(few: float) -> None:
    """A coverage of half is the probable error, z = 0.6745 (GUM, table G.1: p = 50 % has k = 0.675)."""
    assert coverage(few, None) == pytest.approx(float(stats.norm.ppf(0.5 + few / 2)), rel=1e-5)


def test_half_widths_are_divided_by_their_distributions_root() -> None:
    """Rectangular √3, triangular √6, U-shaped √2 (GUM, 4.3.7, 4.3.9, H.1.3.4): the variances, by integration."""
    densities: dict[Shape, Callable[[float], float]] = {
        Shape.RECTANGULAR: lambda x: 0.5,
        Shape.TRIANGULAR: lambda x: 1 - abs(x),
        Shape.U_SHAPED: lambda x: 1 / (math.pi * math.sqrt(1 - x * x)),
    }
    steps = 20_000
    middles = [-1 + (2 * at + 1) / steps for at in range(steps)]
    for shape, density in densities.items():
        variance = sum(x * x * density(x) for x in middles) * 2 / steps
        assert from_half_width(2.0, shape) == pytest.approx(2 * math.sqrt(variance), rel=5e-3)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"standard": -1e-9}, "not below 0"),
        ({"standard": math.inf}, "finite"),
        ({"standard": math.nan}, "finite"),
        ({"sensitivity": math.inf}, "finite"),
        ({"sensitivity": math.nan}, "finite"),
        ({"degrees_of_freedom": 0.0}, "above 0"),
        ({"degrees_of_freedom": -3.0}, "above 0"),
        ({"correlation": -0.1}, "0 to 1"),
        ({"correlation": 1.1}, "0 to 1"),
    ],
)
def test_what_no_quantity_has_is_refused(wrong: dict[str, float], said: str) -> None:
    """An uncertainty or a degree of freedom below 0, an infinity and a correlation beyond 1 are no line of it."""
    with pytest.raises(ValueError, match=f"^ring: .*{said}"):
        line(**({"standard": 0.001, "quantity": "ring"} | wrong))  # type: ignore[arg-type]


def test_the_bounds_of_what_can_be_are_no_mistakes() -> None:
    """Something known exactly, a fraction of a degree of freedom, and full correlation are."""
    made = line(0.0, sensitivity=0.0, degrees_of_freedom=0.01, correlation=1.0)
    assert made.contribution == 0
    assert line(2.0, sensitivity=-3.0).contribution == -6.0
