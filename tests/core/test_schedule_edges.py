"""When a check on a schedule is due, and when it is told: to the millisecond, the piece and the reading."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.schedule import (
    calibrations_coming,
    checked_until_ms,
    checks_coming,
    checks_left,
    clock_text,
    passed,
    scheduled,
    span_text,
)
from gaugepost.core.indication import Moment
from tests.core.station import RING, Hand, set_up

SECOND, MINUTE, HOUR, DAY = 1000, 60_000, 3_600_000, 86_400_000


def ready(begin: datetime | None = None, masters: dict[str, Any] | None = None, **gauge: Any) -> Hand:
    hand = Hand(set_up({"valid_for_ms": None} | gauge, **({} if masters is None else {"masters": masters})))
    if begin is not None:
        hand.now = Moment(round(begin.timestamp() * 1000), hand.now.clock_ms, hand.now.boot)
    return hand.ready()


def later(hand: Hand, ms: int) -> Moment:
    """Return the moment so long after the last good check."""
    checked = hand.state.gauges["bore-1"].checked
    assert checked is not None
    return Moment(checked.utc_ms + ms, checked.clock_ms + ms, checked.boot)


def due(hand: Hand, ms: int) -> tuple[str, ...]:
    return scheduled(hand.state, "bore-1", later(hand, ms))


def coming(hand: Hand, ms: int) -> tuple[str, ...]:
    return checks_coming(hand.state, "bore-1", later(hand, ms), UTC)


@pytest.mark.parametrize(
    ("gauge", "said"),
    [
        ({"valid_for_ms": 2 * HOUR}, "last checked more than 2 h ago"),
        ({"check_every_ms": 2 * HOUR}, "the check every 2 h is due"),
    ],
)
def test_a_time_has_passed_when_it_is_exceeded(gauge: dict[str, Any], said: str) -> None:
    """Two hours after the check it still counts; a millisecond later the next one is due."""
    hand = ready(**gauge)
    assert due(hand, 2 * HOUR) == ()
    assert due(hand, 2 * HOUR + 1) == (said,)


def test_a_clock_that_went_back_asks_for_a_check() -> None:
    """After a start of the computer with the wall clock behind nobody knows how long ago the check was."""
    hand = ready(check_every_ms=2 * HOUR)
    back = later(hand, -1)
    assert scheduled(hand.state, "bore-1", replace(back, boot="boot-2")) == (
        "the clock went back since the last check",
    )
    assert due(hand, 0) == ()
    assert scheduled(hand.state, "bore-1", replace(later(hand, 2 * HOUR + 1), boot="boot-2")) == (
        "the check every 2 h is due",
    )


def test_a_gauge_that_was_never_checked_has_no_schedule() -> None:
    """It waits for its first check for other reasons: nothing is counted from a check that there never was."""
    hand = Hand(
        set_up({"check_every_ms": HOUR, "valid_count": 1, "check_every_pieces": 1, "check_at_min": (0,)})
    )
    known, entry = hand.state.gauges["bore-1"], hand.set_up.gauges["bore-1"]
    assert scheduled(hand.state, "bore-1", hand.now) == ()
    assert passed(entry, known, hand.now, UTC) is None
    assert checks_coming(hand.state, "bore-1", hand.now, UTC) == ()


def test_readings_are_counted_to_the_last() -> None:
    """Of three readings the third is judged; then the check is due. One in doubt counts with them."""
    hand = ready(valid_count=3)
    for at in range(3):
        assert due(hand, HOUR) == ()
        hand.show(f"38.01{at}")
    assert due(hand, HOUR) == ("3 readings since the last check",)


def test_pieces_are_counted_by_lot_and_name() -> None:
    """A piece measured at several places is one; its namesake of another lot is another."""
    hand = ready(check_every_pieces=1)
    hand.do(ev.SetTags({"lot": "L1", "piece": "1"}))
    hand.show("38.010")
    hand.show("38.011")
    assert due(hand, HOUR) == ()
    hand.do(ev.SetTags({"lot": "L2", "piece": "1"}))
    assert due(hand, HOUR) == ("the check every 1 pieces is due",)


@pytest.mark.parametrize(
    ("gauge", "ahead", "said"),
    [
        ({"check_every_ms": 2 * HOUR}, 10 * MINUTE, "due in 10 min: the check every 2 h"),
        ({"valid_for_ms": 2 * HOUR}, 10 * MINUTE, "due in 10 min: the check at least every 2 h"),
        (
            {"check_every_ms": 2 * HOUR, "warning_ms": 90 * SECOND},
            90 * SECOND,
            "due in 2 min: the check every 2 h",
        ),
        (
            {"check_every_ms": 2 * HOUR, "warning_ms": 5 * HOUR},
            30 * MINUTE,
            "due in 30 min: the check every 2 h",
        ),
    ],
)
def test_a_warning_begins_to_the_millisecond(gauge: dict[str, Any], ahead: int, said: str) -> None:
    """A check is told so long before it is due, no sooner, and no more once it is due; minutes are rounded up."""
    hand = ready(**gauge)
    assert coming(hand, 2 * HOUR - ahead - 1) == ()
    assert coming(hand, 2 * HOUR - ahead) == (said,)
    assert coming(hand, 2 * HOUR) == (said.replace(said.split(" min")[0], "due in 1"),)
    assert coming(hand, 2 * HOUR + 1) == ()


@pytest.mark.parametrize(
    ("gauge", "first", "said"),
    [
        ({"valid_count": 8}, 6, "due after 2 more readings: the check after 8 readings"),
        ({"valid_count": 4}, 3, "due after 1 more reading: the check after 4 readings"),
        (
            {"valid_count": 20, "warning_pieces": 5},
            15,
            "due after 5 more readings: the check after 20 readings",
        ),
        ({"check_every_pieces": 8}, 6, "due after 2 more pieces: the check every 8 pieces"),
        ({"check_every_pieces": 4}, 3, "due after 1 more piece: the check every 4 pieces"),
        (
            {"check_every_pieces": 20, "warning_pieces": 9},
            15,
            "due after 5 more pieces: the check every 20 pieces",
        ),
    ],
)
def test_a_warning_begins_with_a_reading_or_a_piece(gauge: dict[str, Any], first: int, said: str) -> None:
    """Two readings or pieces ahead, or as many as are said, at most a quarter of the way; never one sooner."""
    hand = ready(**gauge)
    for at in range(first):
        assert coming(hand, HOUR) == ()
        hand.show(f"38.0{at:02}")
    assert coming(hand, HOUR) == (said,)


def at(hour: int, minute: int = 0, second: int = 0) -> datetime:
    return datetime(2026, 11, 24, hour, minute, second, tzinfo=UTC)


@pytest.mark.parametrize(
    ("checked_at", "now", "due", "soon"),
    [
        (at(12), at(13, 49, 59), False, False),
        (at(12), at(13, 50), False, True),
        (at(12), at(13, 59, 59), False, True),
        (at(12), at(14), True, False),
        (at(13, 49, 59), at(14), True, False),
        (at(13, 50), at(13, 51), False, False),
        (at(13, 50), at(14), False, False),
        (at(14), at(23, 49, 59), False, False),
    ],
)
def test_a_time_of_day_is_due_from_its_minute_on(
    checked_at: datetime, now: datetime, due: bool, soon: bool
) -> None:
    """At 14:00:00 it is due; ten minutes before it is told; a check within those ten minutes counts for it."""
    hand = ready(checked_at, check_at_min=(14 * 60,))
    known = hand.state.gauges["bore-1"]
    assert known.checked is not None
    known = replace(known, checked=replace(known.checked, utc_ms=round(checked_at.timestamp() * 1000)))
    state = replace(hand.state, gauges={"bore-1": known})
    moment = Moment(round(now.timestamp() * 1000), hand.now.clock_ms, hand.now.boot)
    entry = hand.set_up.gauges["bore-1"]
    assert passed(entry, known, moment, UTC) == ("the check at 14:00 is due" if due else None)
    minutes = -(-(at(14) - now).total_seconds() // 60)
    told = (f"due in {minutes:.0f} min: the check at 14:00",) if soon else ()
    assert checks_coming(state, "bore-1", moment, UTC) == told


@pytest.mark.parametrize(
    ("left_ms", "said"),
    [
        (14 * DAY + 1, ""),
        (14 * DAY, "due in 14 days"),
        (13 * DAY + 1, "due in 14 days"),
        (DAY, "due in 1 day"),
        (1, "due in 1 day"),
        (0, "due in 0 days"),
        (-1, ""),
    ],
)
@pytest.mark.parametrize("whose", ["the gauge", "ring-1"])
def test_the_end_of_a_calibration_is_told_for_two_weeks(left_ms: int, said: str, whose: str) -> None:
    """From fourteen days before until the end itself, in whole days rounded up; one that has passed is no warning."""
    end = 1_800_000_000_000
    rings = {"ring-1": replace(RING, due_utc_ms=end if whose == "ring-1" else None)}
    hand = ready(masters=rings, due_utc_ms=end if whose == "the gauge" else None)
    moment = replace(hand.now, utc_ms=end - left_ms)
    told = calibrations_coming(hand.state, "bore-1", moment)
    assert told == ((f"{said}: the calibration of {whose}",) if said else ())


def test_a_gauge_without_a_mastering_is_told_its_own_calibration() -> None:
    """A gauge that waits for its first mastering, or whose master the station file has no more, is still told."""
    hand = Hand(set_up({"due_utc_ms": 1_790_100_000_000}))
    told = ("due in 2 days: the calibration of the gauge",)
    assert calibrations_coming(hand.state, "bore-1", hand.now) == told
    hand.ready()
    gone = replace(hand.state, set_up=replace(hand.set_up, masters={}))
    assert calibrations_coming(gone, "bore-1", hand.now) == told


def test_a_check_after_midnight_is_told_before_it() -> None:
    """At 23:58 the check of five past midnight is seven minutes ahead; that of 23:50 has passed."""
    hand = ready(at(12), check_at_min=(5, 23 * 60 + 50))
    moment = Moment(round(at(23, 58).timestamp() * 1000), hand.now.clock_ms, hand.now.boot)
    assert checks_coming(hand.state, "bore-1", moment, UTC) == ("due in 7 min: the check at 00:05",)


def left(hand: Hand, ms: int) -> tuple[str, ...]:
    """Return how long the check lasts so long after it; no time of it may contradict when it ends."""
    moment = later(hand, ms)
    said = checks_left(hand.state, "bore-1", moment, UTC)
    ends_ms = checked_until_ms(hand.state, "bore-1", moment, UTC)
    assert ends_ms is None or ends_ms >= moment.utc_ms
    return said


@pytest.mark.parametrize(
    ("gauge", "ms", "said", "until"),
    [
        ({"check_every_ms": 2 * HOUR}, 0, "2 h 0 min to the check every 2 h", 2 * HOUR),
        ({"check_every_ms": 2 * HOUR}, HOUR, "1 h 0 min to the check every 2 h", 2 * HOUR),
        ({"check_every_ms": 2 * HOUR}, HOUR + 1, "59 min to the check every 2 h", 2 * HOUR),
        ({"valid_for_ms": 8 * HOUR}, 90 * MINUTE, "6 h 30 min to the check at least every 8 h", 8 * HOUR),
        ({"valid_for_ms": 8 * HOUR}, 8 * HOUR, "0 min to the check at least every 8 h", 8 * HOUR),
        ({"check_every_pieces": 9}, HOUR, "9 pieces to the check every 9 pieces", None),
        ({"check_every_pieces": 1}, HOUR, "1 piece to the check every 1 piece", None),
        ({"valid_count": 20}, HOUR, "20 readings to the check after 20 readings", None),
        ({}, HOUR, "", None),
    ],
)
def test_how_long_a_check_lasts(gauge: dict[str, Any], ms: int, said: str, until: int | None) -> None:
    """In whole hours and minutes that are left, or pieces and readings; and until when, where a time ends it."""
    hand = ready(**gauge)
    assert left(hand, ms) == ((said,) if said else ())
    ends_ms = None if until is None else later(hand, until).utc_ms
    assert checked_until_ms(hand.state, "bore-1", later(hand, ms), UTC) == ends_ms


def test_what_is_left_is_counted_down() -> None:
    """Two readings of one piece are two readings and a piece, and each kind of check is told beside the others."""
    hand = ready(check_every_pieces=9, valid_count=20)
    hand.do(ev.SetTags({"lot": "L1", "piece": "1"}))
    hand.show("38.010")
    hand.show("38.011")
    assert left(hand, HOUR) == (
        "8 pieces to the check every 9 pieces",
        "18 readings to the check after 20 readings",
    )


def test_nothing_is_left_of_a_check_that_ended() -> None:
    """Before the first check, once something made one due, or once its time is over, there is nothing to count down."""
    never = Hand(set_up({"check_every_ms": HOUR}))
    assert checks_left(never.state, "bore-1", never.now, UTC) == ()
    assert checked_until_ms(never.state, "bore-1", never.now, UTC) is None
    hand = ready(check_every_ms=HOUR)
    assert left(hand, HOUR + 1) == ()
    assert checked_until_ms(hand.state, "bore-1", later(hand, HOUR + 1), UTC) is None
    hand.do(ev.Report("bore-1", "knock"))
    assert left(hand, MINUTE) == ()
    assert checked_until_ms(hand.state, "bore-1", later(hand, MINUTE), UTC) is None


@pytest.mark.parametrize(
    ("checked_at", "now", "said", "until"),
    [
        (at(12), at(12, 30), "1 h 30 min to the check at 14:00", at(14)),
        (at(13, 49, 59), at(13, 55), "5 min to the check at 14:00", at(14)),
        (at(13, 50), at(13, 55), "24 h 5 min to the check at 14:00", at(14) + timedelta(days=1)),
        (at(14), at(14), "24 h 0 min to the check at 14:00", at(14) + timedelta(days=1)),
    ],
)
def test_a_check_lasts_to_the_next_time_of_day_that_it_does_not_count_for(
    checked_at: datetime, now: datetime, said: str, until: datetime
) -> None:
    """A check made within the warning before 14:00 counts for it, so that it lasts to 14:00 of the next day."""
    hand = ready(checked_at, check_at_min=(14 * 60,))
    known = hand.state.gauges["bore-1"]
    assert known.checked is not None
    known = replace(known, checked=replace(known.checked, utc_ms=round(checked_at.timestamp() * 1000)))
    state = replace(hand.state, gauges={"bore-1": known})
    moment = Moment(round(now.timestamp() * 1000), hand.now.clock_ms, hand.now.boot)
    assert checks_left(state, "bore-1", moment, UTC) == (said,)
    assert checked_until_ms(state, "bore-1", moment, UTC) == round(until.timestamp() * 1000)


def test_a_check_just_before_midnight_lasts_two_days() -> None:
    """Made at 23:57 it counts for 00:05, seven minutes on: the next that it does not count for is a day after that."""
    hand = ready(at(23, 57), check_at_min=(5,))
    moment = replace(hand.now, utc_ms=round(at(23, 58).timestamp() * 1000))
    (said,) = checks_left(hand.state, "bore-1", moment, UTC)
    assert said == "24 h 7 min to the check at 00:05"
    assert checks_coming(hand.state, "bore-1", moment, UTC) == ()


@pytest.mark.parametrize("first", ["gauge", "ring-1", "check"])
def test_calibrations_end_a_check_too(first: str) -> None:
    """Whichever ends first: the gauge's calibration, its master's or the time of the check."""
    due = {each: 1_800_000_000_000 - (HOUR if each == first else 0) for each in ("gauge", "ring-1", "check")}
    rings = {
        "ring-1": replace(RING, due_utc_ms=due["ring-1"]),
        "ring-2": replace(RING, name="ring-2", due_utc_ms=1),
    }
    hand = ready(masters=rings, due_utc_ms=due["gauge"], valid_for_ms=DAY)
    known = hand.state.gauges["bore-1"]
    assert known.checked is not None
    shift = due["check"] - DAY - known.checked.utc_ms
    moment = Moment(known.checked.utc_ms + shift, known.checked.clock_ms, known.checked.boot)
    assert checked_until_ms(hand.state, "bore-1", moment, UTC) == 1_800_000_000_000 - HOUR
    gone = replace(hand.state, set_up=replace(hand.set_up, masters={}))
    assert checked_until_ms(gone, "bore-1", moment, UTC) == min(due["gauge"], due["check"])


@pytest.mark.parametrize(
    ("ms", "text"),
    [
        (DAY, "1 d"), (2 * DAY, "2 d"), (36 * HOUR, "36 h"), (8 * HOUR, "8 h"), (HOUR, "1 h"), (90 * MINUTE, "90 min"),
        (MINUTE, "1 min"), (90 * SECOND, "90 s"), (SECOND, "1 s"), (1500, "1500 ms"), (999, "999 ms"), (0, "0 ms"),
    ],
)  # fmt: skip
def test_spans_are_said_in_the_largest_whole_unit(ms: int, text: str) -> None:
    """Two days, 36 hours, 90 minutes: as whoever wrote them into the station file would say them."""
    assert span_text(ms) == text


@pytest.mark.parametrize(("minute", "text"), [(0, "00:00"), (390, "06:30"), (1439, "23:59"), (600, "10:00")])
def test_times_of_day_have_two_digits_each(minute: int, text: str) -> None:
    """Minutes of a day are told as a clock shows them."""
    assert clock_text(minute) == text
