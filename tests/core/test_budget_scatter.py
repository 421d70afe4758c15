"""Repeatability from a gauge's own masterings and checks, against the variance of a statistics library."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from decimal import Decimal as D

import pytest
from hypothesis import example, given, settings, strategies as st

from gaugepost.core.bench.budgeting import after_check, after_mastering, repeatability
from gaugepost.core.bench.state import Scatter

MICROMETRES = st.integers(-50, 50).map(lambda number: D(number).scaleb(-4))
READINGS = st.lists(MICROMETRES, min_size=1, max_size=6).map(tuple)


@settings(max_examples=40)
@given(st.lists(READINGS, min_size=1, max_size=5), st.lists(READINGS, max_size=3))
@example([], [(D("38.0012"), D("38.0018"))])
def test_scatter_is_the_pooled_variance(sets: list[tuple[D, ...]], checks: list[tuple[D, ...]]) -> None:
    """Each set of readings about its own mean, pooled by degrees of freedom (GUM, H.1.3.2; statistics.variance)."""
    scatter = after_mastering(Scatter(), tuple(sets))
    for readings in checks:
        if len(readings) > 1:
            scatter = after_check(scatter, readings, readings[0])
    several = [each for each in (*sets, *checks) if len(each) > 1]
    _is_pooled(scatter, several)


@settings(max_examples=40)
@given(st.lists(st.lists(MICROMETRES, min_size=1, max_size=6), min_size=1, max_size=3))
def test_single_checks_scatter_about_their_mean_within_a_mastering(masterings: list[list[D]]) -> None:
    """One reading a check: their errors' variance, as of one set; another mastering moves them all, and counts anew."""
    scatter = Scatter()
    for errors in masterings:
        scatter = after_mastering(scatter, ((D("38.0012"),),))
        for error in errors:
            scatter = after_check(scatter, (D("38.0012") + error,), error)
    several = [each for each in masterings if len(each) > 1]
    _is_pooled(scatter, several)


def _is_pooled(scatter: Scatter, several: Sequence[Sequence[D]]) -> None:
    """Hold what is known of a gauge's scatter to the variances of `several`, pooled; nothing where they are none."""
    degrees = sum(len(each) - 1 for each in several)
    found = repeatability(scatter)
    if not degrees:
        assert found is None
        return
    pooled = sum(float(statistics.variance(each)) * (len(each) - 1) for each in several) / degrees
    assert found is not None
    assert found[0] == pytest.approx(math.sqrt(pooled), rel=1e-6, abs=1e-12)
    assert found[1] == degrees
