"""How much of what repeats comes through in rank-order sizes, against tables, another integration and trials."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from scipy import integrate, stats

from gaugepost.core.uncertainty.rank import of_ends, of_largest, of_mean, of_median, of_mid_range


@pytest.mark.parametrize(
    ("sizes", "mean", "variance"),
    [
        (2, 0.56419, 0.68169),
        (3, 0.84628, 0.55947),
        (4, 1.02938, 0.49172),
        (5, 1.16296, 0.44753),
        (10, 1.53875, 0.34434),
    ],
)
def test_the_largest_of_normal_values(sizes: int, mean: float, variance: float) -> None:
    """Mean and variance of the largest of n normal values (Teichroew, Ann. Math. Stat. 27 (1956) 410, from memory)."""
    assert of_largest(sizes) ** 2 == pytest.approx(mean**2 + variance, abs=6e-5)


@pytest.mark.parametrize("sizes", [1, 2, 3, 7, 24, 150])
def test_an_independent_integration_agrees(sizes: int) -> None:
    """scipy integrates the same moment over the same density, to six digits."""

    def moment(z: float) -> float:
        return float(z * z * sizes * stats.norm.pdf(z) * stats.norm.cdf(z) ** (sizes - 1))

    square, _ = integrate.quad(moment, -10, 10, limit=400)
    assert of_largest(sizes) == pytest.approx(square**0.5, rel=6e-6)


RANKS: dict[str, tuple[Callable[[np.ndarray], np.ndarray], Callable[[int], float]]] = {
    "largest": (lambda sizes: sizes.max(-1), of_largest),
    "median": (lambda sizes: np.median(sizes, axis=-1), of_median),
    "mid-range": (lambda sizes: (sizes.max(-1) + sizes.min(-1)) / 2, of_mid_range),
    "mean": (lambda sizes: sizes.mean(-1), of_mean),
}


@pytest.mark.parametrize("sizes", [2, 3, 4, 5])
@pytest.mark.parametrize("rank", RANKS)
def test_no_sizes_are_less_certain_than_stated(rank: str, sizes: int) -> None:
    """Over bores of equal, of near and of far places, the error's root mean square is at most what is stated."""
    taken, stated = RANKS[rank]
    errors = np.random.default_rng(20261125).standard_normal((20_000, sizes))
    worst = 0.0
    for gaps in itertools.product((0.0, 0.7, 2.0, 20.0), repeat=sizes - 1):
        bore = np.concatenate([[0.0], np.cumsum(gaps)])
        off = taken(bore + errors) - taken(bore)
        worst = max(worst, float(np.sqrt((off**2).mean())))
    assert worst <= stated(sizes) * 1.02
    if rank != "median" or sizes % 2 or sizes == 2:
        assert worst >= stated(sizes) * 0.98, "it is not more than need be, either"


@pytest.mark.parametrize("share", [of_largest, of_median, of_mid_range, of_mean])
def test_of_one_size_all_comes_through(share: Callable[[int], float]) -> None:
    """The largest, the median, the middle and the mean of one size are that size."""
    assert share(1) == pytest.approx(1, abs=1e-6)


@pytest.mark.parametrize(("largest", "smallest"), [(1, 1), (2, 1), (1, 3), (2, 2), (3, 4)])
def test_a_range_of_far_lots_is_off_by_both_their_ranks(largest: int, smallest: int) -> None:
    """The largest of some equal sizes less the smallest of others far below, by trials of standard normal errors."""
    dice = np.random.default_rng(20261126)
    off = dice.standard_normal((100_000, largest)).max(-1) - dice.standard_normal((100_000, smallest)).min(-1)
    assert of_ends(largest, smallest) == pytest.approx(float(np.sqrt((off**2).mean())), rel=8e-3)
