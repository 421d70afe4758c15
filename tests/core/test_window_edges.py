"""A streaming gauge's window at its bounds: what is a turn, a rest, a pause, and what belongs to the evidence."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench.arrivals.window import MOST_BYTES, Window
from gaugepost.core.bench.events import Streamed
from gaugepost.core.quantity import Unit
from gaugepost.core.setup import Opens, StreamEntry, Takes
from tests.core.station import GAUGE
from tests.core.test_bench_window import at, gauge, shown


def opened(takes: Takes = Takes.SMALLEST, **changes: Any) -> Window:
    """Return an open window: turns of 10 µm, or at rest within 1 µm for a second, with what is given changed."""
    how: dict[str, Any] = {"turn_mm": D("0.010")} if takes is not Takes.SETTLED else {"steady_mm": D("0.001")}
    stream = StreamEntry(takes=takes, opens=Opens.ASKED, window_ms=10_000, **(how | changes))
    window = Window(replace(GAUGE, stream=stream))
    window.open(at(0))
    return window


def fed(window: Window, *sizes: str, every_ms: int = 20, since_ms: int = 0) -> list[tuple[str, Streamed]]:
    """Feed sizes one after the other; return what was taken, each with the size at which it was."""
    found = []
    for place, size in enumerate(sizes):
        found += [(size, each) for each in window.feed("usb-1", shown(size), at(since_ms + place * every_ms))]
    return found


def taken(window: Window, *sizes: str, **times: int) -> list[str]:
    return [each.indication.text for _, each in fed(window, *sizes, **times) if each.indication]


@pytest.mark.parametrize(
    ("sizes", "smallest"),
    [
        (("38.020", "38.010", "38.020"), "38.010"),  # a turn down and a turn up, and no more
        (("38.020", "38.011", "38.030"), None),
        (("38.020", "38.010", "38.019"), None),
        (("38.015", "38.022", "38.010", "38.021"), "38.010"),  # it fell from the highest, not from the first
        (
            ("38.030", "38.015", "38.018", "38.010", "38.020"),
            "38.010",
        ),  # a flicker on the way down is no turn
        (("38.020", "38.010", "38.012", "38.015", "38.020"), "38.010"),
        (("38.005", "38.010", "38.020"), None),  # what only rises has no turning point
    ],
)
def test_a_turn_is_as_far_down_as_up(sizes: tuple[str, ...], smallest: str | None) -> None:
    """It counts from 10 µm of fall and 10 µm of rise on, from the highest to the lowest that was seen."""
    assert taken(opened(), *sizes) == ([] if smallest is None else [smallest])


def test_so_many_turns_are_waited_for() -> None:
    """Two turns are two: after the first nothing is told, after the second the smaller one, and how many there were."""
    window = opened(turns=2)
    assert fed(window, "38.020", "38.008", "38.020") == []
    ((_, ended),) = fed(window, "38.009", "38.020", since_ms=60)
    assert ended.indication is not None
    assert ended.indication.text == "38.008"
    assert ended.evidence.text == "smallest of 5 in 0.080 s, after 2 turns"
    ((_, one),) = fed(opened(), "38.020", "38.008", "38.020")
    assert one.evidence.text == "smallest of 3 in 0.040 s"


def test_a_turn_begins_anew_after_a_turn() -> None:
    """What follows a turning point has to fall by a whole turn again: from where the last one was found."""
    window = opened(turns=2)
    assert fed(window, "38.020", "38.008", "38.018", "38.009", "38.017") == []
    assert taken(window, "38.008", "38.018", since_ms=100) == ["38.008"]


def test_evidence_says_how_many_how_long_how_far_and_all_bytes() -> None:
    """Number, time, spread and bytes of what came inside the window; what came before it opened is no part of it."""
    window = opened()
    fed(window, "38.050", "38.050")
    window.open(at(1000))
    ((_, ended),) = fed(window, "38.020", "38.008", "38.021", since_ms=1500, every_ms=250)
    assert (ended.evidence.count, ended.evidence.spread_mm) == (3, D("0.013"))
    assert ended.evidence.text == "smallest of 3 in 1.000 s"
    assert ended.evidence.raw == b"38.020\r\n38.008\r\n38.021\r\n"
    assert (ended.link, ended.channel) == ("usb-1", "")


def test_a_window_without_a_height_has_no_spread() -> None:
    """Where nothing came there is nothing that could spread."""
    (ended,) = opened().passed("usb-1", at(10_001))
    assert (ended.indication, ended.evidence.code) == (None, "none")
    assert (ended.evidence.count, ended.evidence.spread_mm, ended.evidence.raw) == (0, None, b"")
    assert ended.evidence.text == "nothing came within 10 s: 0 in 10.001 s"


@pytest.mark.parametrize(
    ("every_ms", "for_ms", "rests_at"),
    [
        (500, 1000, 3),
        (499, 1000, 4),
        (600, 1000, 3),
        (999, 1000, 3),
        (20, 20, 3),
        (10, 30, 4),
        (1000, 2000, None),
    ],
)
def test_rest_is_three_within_a_span_for_its_time(every_ms: int, for_ms: int, rests_at: int | None) -> None:
    """At least three, at least as long as asked for, and no second without one: a stream that pauses begins anew."""
    window = opened(Takes.SETTLED, steady_for_ms=for_ms)
    found = [place for place in range(1, 9) if fed(window, "38.010", since_ms=place * every_ms)]
    assert found[:1] == ([] if rests_at is None else [rests_at])


def test_what_is_at_rest_spreads_no_more_than_it_may() -> None:
    """As far as it may is at rest; further is not, and rest begins with the first that fits those after it."""
    assert taken(opened(Takes.SETTLED), "38.011", "38.010", "38.011", every_ms=500) == ["38.011"]
    window = opened(Takes.SETTLED)
    assert fed(window, "38.0120", "38.0105", "38.0110", every_ms=500) == []
    assert taken(window, "38.0115", since_ms=1500) == ["38.0110"]


def test_the_middle_one_of_those_at_rest_is_taken() -> None:
    """By size, whatever came when; of an even number the smaller of the two in the middle. It was shown, so no mean."""
    window = opened(Takes.SETTLED)
    assert taken(window, "38.0103", "38.0101", "38.0105", "38.0102", "38.0104", every_ms=250) == ["38.0103"]
    window.open(at(5000))
    assert taken(window, "38.0104", "38.0101", "38.0103", "38.0102", since_ms=5000, every_ms=400) == [
        "38.0102"
    ]


def test_a_pause_is_no_rest() -> None:
    """A stream that was silent for a second has not rested in between: it could have been anywhere."""
    window = opened(Takes.SETTLED)
    assert fed(window, "38.010", "38.010", every_ms=500) == []
    assert fed(window, "38.010", "38.010", since_ms=1500, every_ms=500) == []
    assert taken(window, "38.010", since_ms=2500) == ["38.010"]


@pytest.mark.parametrize(("pause_ms", "times"), [(999, 1), (1000, 2)])
def test_it_opens_by_itself_after_a_pause(pause_ms: int, times: int) -> None:
    """A second of silence and the next rocking is another one; less and it is the same, which gave its value."""
    window = Window(gauge(opens=Opens.ITSELF))
    rocking = ("38.020", "38.008", "38.020")
    found = taken(window, *rocking) + taken(window, *rocking, since_ms=40 + pause_ms)
    assert found == ["38.008"] * times


def test_out_of_range_opens_nothing_and_is_no_evidence() -> None:
    """What a gauge shows in the air opens no window, and does not count among those of one."""
    window = Window(gauge(opens=Opens.ITSELF, indication_range_mm=(D(38), D(39))))
    assert fed(window, *["99.999"] * 3, since_ms=0) == []
    assert window.passed("usb-1", at(60_000)) == []
    ((_, ended),) = fed(window, "38.020", "99.999", "38.008", "37.999", "38.020", since_ms=60_000)
    assert (ended.evidence.count, ended.evidence.spread_mm) == (3, D("0.012"))
    assert b"99.999" not in ended.evidence.raw


def test_a_range_holds_both_its_ends() -> None:
    """The smallest and the largest that the gauge can show are heights."""
    window = Window(gauge(indication_range_mm=(D("38.008"), D("38.020"))))
    window.open(at(0))
    assert taken(window, "38.020", "38.008", "38.020") == ["38.008"]


def test_the_unit_is_the_frames_or_the_gauges() -> None:
    """Digits without a unit stand for the station file's; a frame that says inch means inch."""
    window = Window(gauge(unit=Unit.MM))
    window.open(at(0))
    bare = [replace(shown(size), unit=None) for size in ("38.020", "38.008", "38.020")]
    ended = [each for place, one in enumerate(bare) for each in window.feed("usb-1", one, at(place))]
    assert [each.indication.text for each in ended if each.indication] == ["38.008"]
    window.open(at(1000))
    inch = [
        shown(size, Unit.INCH) for size in ("1.5003", "1.5000", "1.5003", "1.5004")
    ]  # 7.6 µm, then 10.2 µm
    found = [each for place, one in enumerate(inch) for each in window.feed("usb-1", one, at(1000 + place))]
    assert found == []
    inch = [shown(size, Unit.INCH) for size in ("1.5000", "1.5004")]
    found = [each for place, one in enumerate(inch) for each in window.feed("usb-1", one, at(1010 + place))]
    assert [each.evidence.count for each in found] == [6]


def test_what_has_ended_ends_once() -> None:
    """A window that gave its value, or was never opened, is told neither by the clock nor with its link."""
    window = opened()
    for _ in range(2):
        assert len(fed(window, "38.020", "38.008", "38.020")) == 1
        assert window.passed("usb-1", at(20_000)) == []
        assert window.lost("usb-1", at(20_000)) == []
        window.open(at(0))
    never = Window(gauge())
    assert (never.passed("usb-1", at(20_000)), never.lost("usb-1", at(20_000))) == ([], [])


def test_a_link_that_comes_back_is_a_pause() -> None:
    """Who opens by itself opens anew after its link was lost, however soon it is there again."""
    window = Window(gauge(opens=Opens.ITSELF))
    assert len(taken(window, "38.020", "38.008", "38.020", "38.020")) == 1
    assert window.lost("usb-1", at(70)) == []
    assert len(taken(window, "38.020", "38.008", "38.020", since_ms=80)) == 1


def test_it_is_looked_after_once_its_time_is_over() -> None:
    """The time until somebody looks is just enough for the window to have ended by then: a millisecond more than it."""
    window = opened()
    longest_ms = window.longest_s * 1000
    assert longest_ms == 10_001
    assert window.passed("usb-1", at(10_000)) == []
    assert len(window.passed("usb-1", at(10_001))) == 1


def test_evidence_may_have_its_most_bytes() -> None:
    """As many bytes as evidence may have are none too many; one more ends the window, and says why."""
    window, full = opened(), replace(shown("38.010"), raw=b"x" * (MOST_BYTES - 1))
    assert window.feed("usb-1", full, at(0)) == []
    assert window.feed("usb-1", replace(full, raw=b"y"), at(1)) == []
    (ended,) = window.feed("usb-1", replace(full, raw=b"z"), at(2))
    assert ended.evidence.text == f"more than {MOST_BYTES} bytes: 3 in 0.002 s"
