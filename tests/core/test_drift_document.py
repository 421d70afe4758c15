"""What a series of drift tells programs, and what its points are made of."""

from dataclasses import replace
from decimal import Decimal as D

import pytest

from gaugepost.core.drift import Point, Series, Trend, What, document, grouped, point_of, summary
from gaugepost.core.record import Entry, Kind
from tests.core.station import AIR, RING, Hand, set_up

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
BEGUN = 1_790_000_000_000  # 2026-09-21T14:13:20Z


def series(*values: str, every_ms: int = DAY_MS, limit: str | None = "0.002") -> Series:
    return Series(
        What.DEVIATION,
        (("gauge", "bore-1"),),
        tuple(
            Point(
                sequence=10 + at,
                utc_ms=BEGUN + at * every_ms,
                what=What.DEVIATION,
                gauge="bore-1",
                contact_set=None,
                master="ring-1",
                operator=None,
                value_mm=D(value),
                limit_mm=limit and D(limit),  # type: ignore[arg-type]
                mastering=None,
                failed=False,
                at_20=True,
                notes=("a note",),
            )
            for at, value in enumerate(values)
        ),
    )


def test_a_series_is_told_whole() -> None:
    """From its first to its last point, with extremes, mean and n - 1 deviation; a straight line has no scatter."""
    told = document(series("0.0010", "0.0030", "0.0020", "0.0050", "0.0040"))
    points = told.pop("points")
    assert told == {
        "what": "deviation",
        "gauge": "bore-1",
        "corrected_to_20_c": True,
        "count": 5,
        "failed": 0,
        "first_at": "2026-09-21T14:13:20.000Z",
        "last_at": "2026-09-25T14:13:20.000Z",
        "mean_mm": 0.003,
        "standard_deviation_mm": 0.00158114,  # sqrt(2.5) um
        "smallest_mm": 0.001,
        "largest_mm": 0.005,
        # Sxy 8, Sxx 10, Syy 10: slope 0.8, residual 3.6; t(0.975, 3) = 3.182446 (tables have 3.182)
        "trend_mm_per_day": 0.0008,
        "trend_half_width_mm_per_day": 0.00110243,
        "trend_beyond_scatter": False,
    }
    assert isinstance(points, list)
    assert [each["sequence"] for each in points] == [10, 11, 12, 13, 14]
    assert points[0] == {
        "sequence": 10,
        "measured_at": "2026-09-21T14:13:20.000Z",
        "what": "deviation",
        "gauge": "bore-1",
        "contact_set": None,
        "master": "ring-1",
        "operator": None,
        "value_mm": "0.0010",
        "limit_mm": "0.002",
        "failed": False,
        "notes": ["a note"],
    }


def test_what_a_single_point_leaves_open_is_told_as_open() -> None:
    """One value has neither scatter nor trend, and a deviation without a limit none to be told."""
    told = document(series("0.0010", limit=None))
    assert [told[f"{name}_mm"] for name in ("mean", "smallest", "largest")] == [0.001] * 3
    for name in (
        "standard_deviation_mm",
        "trend_mm_per_day",
        "trend_half_width_mm_per_day",
        "trend_beyond_scatter",
    ):
        assert told[name] is None
    assert [each["limit_mm"] for each in told["points"]] == [None]  # type: ignore[attr-defined]


@pytest.mark.parametrize(("most", "shown"), [(None, 3), (0, 0), (1, 1), (3, 3), (9, 3)])
def test_the_last_points_are_shown(most: int | None, shown: int) -> None:
    """As many as are asked for, of those there are; what they come to is of all."""
    told = document(series("0.001", "0.002", "0.003"), most)
    assert [each["sequence"] for each in told["points"]] == [10, 11, 12][3 - shown :]  # type: ignore[attr-defined]
    assert told["count"] == 3


def test_a_unit_changes_no_shape() -> None:
    """In micrometres every figure of length is a thousand times that in mm, the trend's too."""
    of = series("0.0010", "0.0030", "0.0020", "0.0050", "0.0040")
    mm, um = of.comes_to(), of.comes_to(1000)
    for name in ("mean", "deviation", "smallest", "largest"):
        assert getattr(um, name) == pytest.approx(1000 * getattr(mm, name))
    assert um.trend is not None
    assert mm.trend is not None
    assert um.trend.per_day == pytest.approx(1000 * mm.trend.per_day)


def test_what_stands_still_does_not_drift() -> None:
    """Equal values lie on a line without slope or scatter: that is no trend beyond it."""
    still = summary([(BEGUN + at * DAY_MS, 0.25) for at in range(6)])
    assert still.trend == Trend(0.0, 0.0)
    assert not still.trend.is_beyond_scatter


def test_two_values_have_a_deviation() -> None:
    """Of two values it is their distance over the square root of two."""
    assert summary([(0, 1.0), (1, 3.0)]).deviation == pytest.approx(2**0.5)


def test_an_hour_is_the_shortest_that_has_a_trend() -> None:
    """From first to last an hour is enough and a millisecond less is not, whenever it was; within one mastering."""
    hour = [(BEGUN + at * HOUR_MS // 4, float(at)) for at in range(5)]
    assert summary(hour).trend is not None
    assert summary([*hour[:-1], (hour[-1][0] - 1, 4.0)]).trend is None
    alone = (BEGUN + DAY_MS, 9.0)
    assert summary([*hour, alone], [1] * 5 + [2]).trend is not None
    short = [(BEGUN + at * DAY_MS + part, float(part)) for at in (0, 9) for part in (0, 60_000, 120_000)]
    assert summary(short, [1] * 3 + [2] * 3).trend is None


def test_an_offset_is_held_against_the_span_at_20_degrees() -> None:
    """A carbide ring and a steel gauge at 30 °C: they grow by 55 and 115 ppm, which is no drift."""
    ring = replace(RING, coefficient=D("5.5E-6"))
    hand = Hand(set_up(masters={"ring-1": ring}, thermometers={"air": AIR}))
    hand.warm("30.0")
    hand.master("38.004", "38.004")
    mastering = hand.last(Kind.MASTERING)
    point = point_of(Entry(7, b"", mastering), hand.set_up)
    assert point is not None
    span = 38.0012 * 1.000055 / 1.000115  # ISO 1: lengths are stated at 20 °C
    assert float(point.value_mm) == pytest.approx(span - 38.004, abs=1e-9)
    assert (point.sequence, point.at_20, point.limit_mm, point.mastering) == (7, True, None, None)


def test_points_say_what_they_are_of() -> None:
    """An offset is a mastering's, a deviation a check's, told as corrected; what spoke against it stays."""
    assert (What.OFFSET.kind, What.DEVIATION.kind) == (Kind.MASTERING, Kind.CHECK)
    hand = Hand(set_up()).ready()
    failed = hand.check("38.010")
    point = point_of(Entry(9, b"", failed), hand.set_up)
    assert point is not None
    assert (point.what, point.failed, point.at_20) == (What.DEVIATION, True, True)
    assert (point.value_mm, point.limit_mm) == (D("0.006"), D("0.002"))
    assert point.notes == failed.reasons
    assert point.notes
    (deviations,) = grouped([point])
    assert document(deviations)["corrected_to_20_c"] is True


def test_a_gauge_that_left_the_station_file_has_no_points() -> None:
    """Without its entry nobody knows which way its indication goes; another gauge's points stay."""
    hand = Hand(set_up()).ready()
    entry = Entry(1, b"", hand.last(Kind.CHECK))
    assert point_of(entry, hand.set_up) is not None
    assert point_of(entry, replace(hand.set_up, gauges={})) is None
