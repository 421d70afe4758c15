"""Drift: numbers held to NIST's reference data and to SciPy, and series that no cold morning or other contacts blur."""

from __future__ import annotations

import random
from dataclasses import replace
from decimal import Decimal as D

import pytest
from hypothesis import given, settings, strategies as st

from gaugepost.commands.drift.chart import ROWS, WIDEST, run_chart
from gaugepost.core.bench import events as ev
from gaugepost.core.drift import Point, What, document, grouped, point_of, summary
from gaugepost.core.record import Entry, Kind
from tests.core.station import AIR, RING, Hand, set_up

DAY_MS = 86_400_000

NORRIS = (  # x, y
    "0.2 0.1 337.4 338.8 118.2 118.1 884.6 888.0 10.1 9.2 226.5 228.1 666.3 668.5 996.3 998.5 448.6 449.1 777.0 778.9 "
    "558.2 559.2 0.4 0.3 0.6 0.1 775.5 778.1 666.9 668.8 338.0 339.3 447.5 448.9 11.6 10.8 556.0 557.7 228.1 228.3 "
    "995.8 998.0 887.6 888.8 120.2 119.6 0.3 0.3 0.3 0.6 556.8 557.6 339.1 339.3 887.2 888.0 999.0 998.5 779.0 778.9 "
    "11.1 10.2 118.3 117.6 229.2 228.9 669.1 668.4 448.9 449.2 0.5 0.2"
)


def test_trend_has_the_certified_slope() -> None:
    """NIST StRD, linear regression, Norris: slope 1.00211681802045, its standard deviation 0.000429796848199937."""
    given = [D(each) for each in NORRIS.split()]
    values = [(int(x * DAY_MS), float(y)) for x, y in zip(given[::2], given[1::2], strict=True)]
    assert len(values) == 36
    trend = summary(values).trend
    assert trend is not None
    assert trend.per_day == pytest.approx(1.00211681802045, rel=1e-12)
    t = 2.0322445093177  # t(0.975, 34): SciPy, as tables have it to 2.032
    assert trend.half_width == pytest.approx(t * 0.000429796848199937, rel=1e-9)


@pytest.mark.parametrize(
    ("values", "mean", "deviation"),
    [
        ([10000001, 10000003, 10000002], 10000002, 1),
        ([1.2, *[1.1, 1.3] * 500], 1.2, 0.1),
        ([1000000.2, *[1000000.1, 1000000.3] * 500], 1000000.2, 0.1),
        ([10000000.2, *[10000000.1, 10000000.3] * 500], 10000000.2, 0.1),
    ],
)
def test_mean_and_standard_deviation_are_certified(
    values: list[float], mean: float, deviation: float
) -> None:
    """NIST StRD, univariate summary statistics, NumAcc1 to NumAcc4 (inputs from memory)."""
    found = summary([(at, value) for at, value in enumerate(values)])
    assert found.mean == pytest.approx(mean, rel=1e-14)
    assert found.deviation == pytest.approx(deviation, rel=1e-8)


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 400 * DAY_MS), st.floats(-1, 1, width=32)),
        min_size=4,
        max_size=40,
        unique_by=lambda pair: pair[0],
    )
)
def test_a_summary_agrees_with_scipy(values: list[tuple[int, float]]) -> None:
    """Slope and interval are those of SciPy's linregress, whatever the times; order does not matter."""
    from scipy import stats

    found = summary(values)
    shuffled = random.Random(1).sample(values, len(values))
    assert summary(shuffled).mean == pytest.approx(found.mean, abs=1e-12)
    if found.trend is None:
        assert max(ms for ms, _ in values) - min(ms for ms, _ in values) < 3_600_000
        return
    expected = stats.linregress([ms / DAY_MS for ms, _ in values], [value for _, value in values])
    half = stats.t.ppf(0.975, len(values) - 2) * expected.stderr
    scale = abs(expected.slope) + half + 1e-9
    assert found.trend.per_day == pytest.approx(expected.slope, abs=1e-6 * scale)
    assert found.trend.half_width == pytest.approx(half, rel=1e-4, abs=1e-6 * scale)


def test_levels_do_not_make_a_trend() -> None:
    """One slope with a level for each mastering is what NumPy's least squares gives with a column for each level."""
    import numpy as np
    from scipy import stats

    made = np.random.default_rng(5)
    times = np.arange(30) * 0.5 + made.uniform(0, 0.2, 30)
    level = np.repeat([0, 1, 2], 10)
    values = made.normal(0, 0.3, 30) + level * 4.0 - 0.05 * times
    found = summary(
        [(round(day * DAY_MS), float(value)) for day, value in zip(times, values, strict=True)], list(level)
    )
    columns = np.column_stack([times, *(level == each for each in range(3))])
    fit, rest, *_ = np.linalg.lstsq(columns, values)
    error = np.sqrt(rest[0] / 26 * np.linalg.inv(columns.T @ columns)[0, 0])
    assert found.trend is not None
    assert found.trend.per_day == pytest.approx(fit[0], rel=1e-6)
    assert found.trend.half_width == pytest.approx(stats.t.ppf(0.975, 26) * error, rel=1e-6)
    blurred = summary(
        [(round(day * DAY_MS), float(value)) for day, value in zip(times, values, strict=True)]
    ).trend
    assert blurred is not None
    assert blurred.per_day > 0.5


def test_too_little_for_a_trend() -> None:
    """Three values, or four within an hour, say nothing of days; a single one has no standard deviation."""
    assert summary([(at * DAY_MS, float(at)) for at in range(3)]).trend is None
    assert summary([(at * 60_000, float(at)) for at in range(10)]).trend is None
    assert summary([(0, 1.5)]).deviation is None
    with pytest.raises(ValueError, match="without values"):
        summary([])


def points(hand: Hand) -> list[Point]:
    made = (point_of(Entry(at, b"", record), hand.set_up) for at, record in enumerate(hand.records, 1))
    return [point for point in made if point is not None]


def test_a_gauge_that_drifts_is_found() -> None:
    """Checks that go off by half a micrometre a day are a trend; the offset of a new mastering takes it up."""
    hand = Hand(set_up({"valid_for_ms": None})).ready()
    for day, off in enumerate(("38.0045", "38.0050", "38.0055", "38.0060", "38.0059")):
        hand.wait(DAY_MS)
        hand.do(ev.SetTags({"operator": f"M{day % 2}"}))
        hand.check(off)
    hand.master("38.006", "38.006")
    deviations, offsets = grouped(points(hand))[1], grouped(points(hand))[0]
    assert (offsets.what, [point.value_mm for point in offsets.points]) == (
        What.OFFSET,
        [D("-0.0028"), D("-0.0048")],
    )
    assert (deviations.what, deviations.failed) == (What.DEVIATION, 0)
    told = document(deviations, 2)
    assert (told["count"], told["trend_beyond_scatter"]) == (6, True)
    assert told["trend_mm_per_day"] == pytest.approx(0.0004, rel=0.2)
    assert [point["value_mm"] for point in told["points"]] == ["0.002000000", "0.001900000"]  # type: ignore[attr-defined]
    by_person = grouped(points(hand), ("gauge", "operator"))
    assert {each.name for each in by_person} == {"bore-1, nobody", "bore-1, M0", "bore-1, M1"}


def test_contact_sets_and_masters_do_not_blur() -> None:
    """Each contact set and each master has its own series; a falling gauge's offset has its sign turned."""
    other = replace(RING, name="ring-2", serial="R-2", size_mm=D("38.0112"))
    hand = Hand(set_up({"contact_sets": ("A", "B")}, masters={"ring-1": RING, "ring-2": other}))
    for contact_set, digits, ring in (
        ("A", "38.004", "ring-1"),
        ("B", "38.024", "ring-1"),
        ("B", "38.034", "ring-2"),
    ):
        hand.do(ev.Report("bore-1", "contacts", contact_set=contact_set))
        hand.master(digits, digits, ring=ring)
    assert [(each.name, each.points[0].value_mm) for each in grouped(points(hand))] == [
        ("bore-1, contact set A, ring-1", D("-0.0028")),
        ("bore-1, contact set B, ring-1", D("-0.0228")),
        ("bore-1, contact set B, ring-2", D("-0.0228")),
    ]
    assert len(grouped(points(hand), ("contact_set",))) == 2
    falling = point_of(
        Entry(1, b"", hand.last(Kind.MASTERING)), set_up({"sense": -1}, masters={"ring-2": other})
    )
    assert falling is not None
    assert falling.value_mm == D("38.0112") + D("38.034")


def test_a_cold_morning_is_no_drift() -> None:
    """Ring and gauge of one material that are warm together have one offset at 20 °C; uncorrected ones stand apart."""
    hand = Hand(set_up({"valid_for_ms": None}, thermometers={"air": AIR}))
    hand.master("38.004", "38.004")
    for celsius in ("20.0", "26.0"):
        hand.warm(celsius)
        hand.master("38.004", "38.004")
    uncorrected, corrected = grouped(points(hand))
    assert ([p.at_20 for p in uncorrected.points], len(corrected.points)) == ([False], 2)
    assert {point.value_mm for point in corrected.points} == {D("-0.0028")}


def test_what_was_refused_or_is_not_known_is_no_point() -> None:
    """A refused mastering says nothing of the offset, nor does one on a master that the set-up does not have."""
    hand = Hand(set_up())
    hand.master("38.6", "38.6")
    hand.ready()
    failed = hand.check("38.010")
    assert [point.what for point in points(hand)] == [What.OFFSET, What.DEVIATION, What.DEVIATION]
    assert grouped(points(hand))[1].failed == 1
    assert point_of(Entry(1, b"", failed), set_up(masters={})) is None


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.floats(-1e4, 1e4), st.booleans()), min_size=1, max_size=100),
    st.none() | st.floats(1e-3, 1e4),
)
def test_a_chart_shows_every_value(values: list[tuple[float, bool]], limit: float | None) -> None:
    """Whatever the values, each of the last ones has its mark in its column, and no line is too long."""
    numbers, failed = [each for each, _ in values], [each for _, each in values]
    chart = run_chart(numbers, failed, sum(numbers) / len(numbers), limit)
    assert len(chart) == ROWS
    columns = [line.split("|", 1)[1].ljust(WIDEST) for line in chart]
    for at, (_, has_failed) in enumerate(values[-WIDEST:]):
        marks = [line[at] for line in columns]
        assert marks.count("x" if has_failed else "o") == 1
        assert "x" not in marks or has_failed


def test_a_chart_is_drawn_to_scale() -> None:
    """The largest value stands on top, the smallest at the bottom, and a limit that is near in its row."""
    chart = run_chart([0.0, 1.0, 2.0], [False, False, True], 1.0, 2.0)
    assert chart[0] == "+2.00 |==x"
    assert chart[4] == "+1.00 |-o-"
    assert chart[8] == "+0.00 |o"
    assert not any("=" in line for line in run_chart([0.0, 0.1], [False] * 2, 0.05, 2.0))
