"""The normal distribution and Student's t, held against printed tables and against scipy's over a wide grid."""

import math

import pytest
import scipy.stats
from hypothesis import given, strategies as st

from gaugepost.core.distributions import (
    normal_cdf,
    normal_density,
    normal_quantile,
    student_cdf,
    student_density,
    student_quantile,
)

MANY = [
    0.3,
    0.5,
    1,
    1.5,
    2,
    2.5,
    3,
    4,
    5,
    7.3,
    10,
    16.7,
    25.6,
    50,
    99,
    199,
    201,
    333.3,
    999,
    1000,
    2500,
    1e5,
    1e9,
]
PROBABILITIES = [1e-12, 1e-9, 1e-6, 1e-4, 0.001, 0.01, 0.025, 0.05, 0.1, 0.2, 0.25, 0.3, 0.4, 0.49]


@pytest.mark.parametrize(
    ("probability", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]
)
def test_quantiles_are_those_of_the_table(probability: float, z: float) -> None:
    """z at five conformance probabilities: JCGM 106:2012, 7.3, Table 1 (inputs from memory), as printed."""
    assert math.floor(100 * normal_quantile(probability) + 0.5) / 100 == pytest.approx(z)


@pytest.mark.parametrize(
    ("freedom", "t95", "t99"),
    [
        (1, 12.71, 63.66),
        (2, 4.30, 9.92),
        (5, 2.57, 4.03),
        (8, 2.31, 3.36),
        (16, 2.12, 2.92),
        (50, 2.01, 2.68),
    ],
)
def test_coverage_factors_are_those_of_the_table(freedom: int, t95: float, t99: float) -> None:
    """Two-sided coverage factors at 95 % and 99 %: GUM, Table G.2 (from memory; 2.57 and 2.92 also in GUM H.1)."""
    assert student_quantile(0.975, freedom) == pytest.approx(t95, abs=0.005)
    assert student_quantile(0.995, freedom) == pytest.approx(t99, abs=0.005)


@pytest.mark.parametrize("freedom", MANY)
def test_t_is_what_scipy_makes_of_it(freedom: float) -> None:
    """Density and both tails agree with scipy from the middle to tails of 1e-30, to more digits than are ever kept."""
    grid = [count / 40 for count in range(1, 481)]
    tails, densities = scipy.stats.t.sf(grid, freedom), scipy.stats.t.pdf(grid, freedom)
    for t, tail, density in zip(grid, tails, densities, strict=True):
        if tail > 1e-30:
            assert math.isclose(student_cdf(-t, freedom), tail, rel_tol=1e-10)
            assert math.isclose(student_cdf(t, freedom), 1 - tail, rel_tol=1e-12)
            assert math.isclose(student_density(t, freedom), density, rel_tol=1e-10)


@pytest.mark.parametrize("freedom", MANY)
def test_quantiles_of_t_are_those_of_scipy(freedom: float) -> None:
    """Quantiles agree with scipy's for a third of a degree of freedom as for a thousand million, and mirrored."""
    for probability in PROBABILITIES:
        quantile = student_quantile(probability, freedom)
        assert quantile == pytest.approx(scipy.stats.t.ppf(probability, freedom), rel=1e-8)
        if probability > 1e-5:
            assert student_quantile(1 - probability, freedom) == pytest.approx(-quantile, rel=1e-9)


def test_the_normal_is_what_scipy_makes_of_it() -> None:
    """Density, tails and quantiles of the normal agree with scipy to the last digits, as far out as floats reach."""
    for count in range(-370, 80):
        z = count / 10
        assert normal_cdf(z) == pytest.approx(scipy.stats.norm.cdf(z), rel=1e-13)
        assert normal_density(z) == pytest.approx(scipy.stats.norm.pdf(z), rel=1e-12)
    for probability in [1e-300, 1e-100, *PROBABILITIES, 0.4999, 0.5, 0.5001, 0.9, 1 - 1e-12]:
        expected = scipy.stats.norm.ppf(probability)
        assert normal_quantile(probability) == pytest.approx(expected, rel=1e-14, abs=1e-15)


@given(st.floats(0.3, 1e8), st.floats(1e-9, 1 - 1e-9))
def test_a_quantile_undoes_the_probability(freedom: float, probability: float) -> None:
    """Whatever the degrees of freedom, the probability below a quantile is the one it was asked for."""
    assert student_cdf(student_quantile(probability, freedom), freedom) == pytest.approx(
        probability, rel=1e-9
    )


def test_half_lies_below_the_middle() -> None:
    """Both are symmetric about 0: the median is 0 to the last digit, by the density and by the tails."""
    assert normal_quantile(0.5) == 0
    for freedom in (None, 0.3, 1, 7, 2500):
        assert student_quantile(0.5, freedom) == 0
        assert student_cdf(0.0, freedom) == 0.5
        assert student_cdf(1e-200, freedom) == 0.5


@pytest.mark.parametrize("many", [None, math.inf])
def test_without_an_end_t_is_normal(many: float | None) -> None:
    """Degrees of freedom without end are the normal distribution, and a great many come near to it."""
    assert student_quantile(0.95, many) == normal_quantile(0.95) == pytest.approx(1.644854, abs=5e-7)
    assert student_cdf(1.3, many) == normal_cdf(1.3) == pytest.approx(student_cdf(1.3, 1e12), rel=1e-12)
    assert student_density(1.3, many) == normal_density(1.3)


@pytest.mark.parametrize("wrong", [0.0, 1.0, -0.1, 1.5, math.nan])
def test_what_is_no_probability_has_no_quantile(wrong: float) -> None:
    """0, 1 and what lies beyond are refused, not answered with an infinity."""
    with pytest.raises(ValueError, match="between 0 and 1"):
        normal_quantile(wrong)
    with pytest.raises(ValueError, match="between 0 and 1"):
        student_quantile(wrong, 5)


@pytest.mark.parametrize("wrong", [0.0, -1.0, math.nan])
def test_no_degrees_of_freedom_is_no_distribution(wrong: float) -> None:
    """Degrees of freedom that are not above 0 are refused."""
    with pytest.raises(ValueError, match="degrees of freedom"):
        student_cdf(1.0, wrong)
