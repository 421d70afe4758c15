"""The rules of combination against the example that everybody knows: JCGM 100:2008 (GUM), H.1, and against GTC."""

from __future__ import annotations

import math

import GTC
import pytest
from hypothesis import given, strategies as st
from scipy import stats

from gaugepost.core.uncertainty import (
    Component,
    Shape,
    budget,
    combine,
    coverage,
    from_expanded,
    from_half_width,
)

NM = 1e-6
SIZE = 50.000623


def reliability(relative: float) -> float:
    """Degrees of freedom of a u that is reliable to ± `relative` of it: GUM, (G.3)."""
    return 0.5 * relative**-2


RING = Component(quantity="lS", value=SIZE, standard=from_expanded(75 * NM, 3), degrees_of_freedom=18)
MEAN = Component(quantity="d", standard=13 * NM / math.sqrt(5), degrees_of_freedom=24)
RANDOM = Component(quantity="d1", standard=10 * NM / float(stats.t.ppf(0.975, 5)), degrees_of_freedom=5)
SYSTEMATIC = Component(
    quantity="d2", standard=from_expanded(20 * NM, 3), degrees_of_freedom=reliability(0.25)
)
STEEL = Component(quantity="αS", standard=from_half_width(2e-6, Shape.RECTANGULAR), unit="1/K", sensitivity=0)
BENCH = Component(quantity="θ", standard=0.41, unit="°C", sensitivity=0)
APART = Component(
    quantity="δα",
    standard=from_half_width(1e-6, Shape.RECTANGULAR),
    unit="1/K",
    sensitivity=-SIZE * -0.1,
    degrees_of_freedom=reliability(0.10),
)
WARMER = Component(
    quantity="δθ",
    standard=from_half_width(0.05, Shape.RECTANGULAR),
    unit="°C",
    sensitivity=-SIZE * 11.5e-6,
    degrees_of_freedom=reliability(0.50),
)
END_GAUGE = (RING, MEAN, RANDOM, SYSTEMATIC, STEEL, BENCH, APART, WARMER)


def test_type_b_evaluations_give_the_printed_standard_uncertainties() -> None:
    """Each input of GUM H.1 comes out as its table H.1 prints it."""
    assert round(RING.standard / NM) == 25
    assert round(MEAN.standard / NM, 1) == 5.8
    assert round(RANDOM.standard / NM, 1) == 3.9
    assert round(SYSTEMATIC.standard / NM, 1) == 6.7
    assert round(STEEL.standard * 1e6, 1) == 1.2
    assert round(from_half_width(0.5, Shape.U_SHAPED), 2) == 0.35
    assert round(APART.standard * 1e6, 2) == 0.58
    assert round(WARMER.standard, 3) == 0.029
    assert [SYSTEMATIC.degrees_of_freedom, APART.degrees_of_freedom, WARMER.degrees_of_freedom] == [
        pytest.approx(8),
        pytest.approx(50),
        pytest.approx(2),
    ]
    assert round(math.hypot(0.2, from_half_width(0.5, Shape.U_SHAPED)), 2) == 0.41


def test_the_comparators_part_has_its_own_effective_degrees_of_freedom() -> None:
    """GUM H.1.6: u(d) is 9.7 nm with 25.6 degrees of freedom."""
    of_d = combine((MEAN, RANDOM, SYSTEMATIC))
    assert round(of_d.standard_mm / NM, 1) == 9.7
    assert of_d.degrees_of_freedom is not None
    assert round(of_d.degrees_of_freedom, 1) == pytest.approx(25.6, abs=0.1)


def test_the_end_gauge_comes_out_as_printed() -> None:
    """GUM H.1: u_c 32 nm, ν_eff 16.7 and truncated to 16, t99(16) 2.92, U99 93 nm (92.5 at full precision)."""
    made = budget(END_GAUGE, level=0.99)
    assert round(made.standard_mm / NM) == 32
    assert (made.standard_mm / NM) ** 2 == pytest.approx(1002, abs=3)
    assert made.combined.degrees_of_freedom == pytest.approx(16.7, abs=0.1)
    assert made.degrees_of_freedom == 16
    assert round(made.coverage_factor, 2) == 2.92
    assert 92 <= made.expanded_mm / NM <= 93.5
    assert [round(abs(c.contribution) / NM, 1) for c in (APART, WARMER)] == [2.9, 16.6]
    assert made.ranked()[0][0] == (RING,)


def test_second_order_terms_add_what_the_first_order_leaves_out() -> None:
    """GUM H.1.7: terms of 11.7 and 1.7 nm make 34 nm of 32."""
    second = (SIZE * APART.standard * 0.41, SIZE * STEEL.standard * WARMER.standard)
    assert [round(each / NM, 1) for each in second] == [pytest.approx(11.7, abs=0.2), 1.7]
    terms = [Component(quantity=f"second-order {at}", standard=each) for at, each in enumerate(second)]
    assert round(combine([*END_GAUGE, *terms]).standard_mm / NM) == 34


def test_the_end_gauge_agrees_with_an_independent_library() -> None:
    """GTC, which differentiates the model itself, gives the same u_c and ν_eff to ten digits."""
    ls = GTC.ureal(SIZE, RING.standard, 18)
    d = GTC.ureal(215 * NM, MEAN.standard, 24) + GTC.ureal(0, RANDOM.standard, 5)
    d += GTC.ureal(0, SYSTEMATIC.standard, 8)
    alpha, theta = GTC.ureal(11.5e-6, STEEL.standard), GTC.ureal(-0.1, 0.41)
    apart, warmer = GTC.ureal(0, APART.standard, 50), GTC.ureal(0, WARMER.standard, 2)
    length = ls + d - ls * (apart * theta + alpha * warmer)
    made = combine(END_GAUGE)
    assert round(GTC.value(length), 6) == 50.000838
    assert made.standard_mm == pytest.approx(GTC.uncertainty(length), rel=1e-10)
    assert made.degrees_of_freedom == pytest.approx(GTC.dof(length), rel=1e-9)


@pytest.mark.parametrize(
    ("level", "few", "printed"),
    [(0.95, 5, 2.57), (0.99, 16, 2.92), (0.9545, 10, 2.28), (0.9545, 50, 2.05), (0.95, 1, 12.71)],
)
def test_coverage_factors_are_those_of_the_printed_table(level: float, few: int, printed: float) -> None:
    """GUM, table G.2."""
    assert round(coverage(level, few), 2) == printed


@given(st.lists(st.floats(1e-7, 1e-2), min_size=1, max_size=6), st.integers(0, 5), st.floats(1.0, 10.0))
def test_more_input_uncertainty_is_never_less(us: list[float], which: int, factor: float) -> None:
    """No component can be made worse and the result better."""
    at = which % len(us)
    worse = [u * factor if place == at else u for place, u in enumerate(us)]

    def combined(values: list[float]) -> float:
        return combine([Component(quantity=str(n), standard=u) for n, u in enumerate(values)]).standard_mm

    assert combined(worse) >= combined(us)


def test_what_can_not_be_is_refused() -> None:
    """A negative uncertainty and a normal half-width have no budget."""
    with pytest.raises(ValueError, match="not below 0"):
        Component(quantity="x", standard=-1.0)
    with pytest.raises(ValueError, match="half-width"):
        from_half_width(1.0, Shape.NORMAL)
