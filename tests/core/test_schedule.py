"""Checks on a schedule: due after pieces, after a time, at times of day and at a lot's ends, and told before."""

from dataclasses import replace
from datetime import datetime
from decimal import Decimal as D
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.schedule import calibrations_coming, checks_coming
from gaugepost.core.bench.standing import standing
from gaugepost.core.indication import Moment
from gaugepost.core.record import DERIVATION, Kind, Record
from gaugepost.core.setup import LotCheck
from tests.core.station import RING, Hand, set_up

MINUTE, HOUR = 60_000, 3_600_000
BERLIN = ZoneInfo("Europe/Berlin")


def at(*when: int) -> datetime:
    return datetime(*when, tzinfo=BERLIN)  # type: ignore[misc,arg-type]


def ready(begin: datetime | None = None, **gauge: Any) -> Hand:
    hand = Hand(set_up(gauge))
    if begin is not None:
        hand.now = Moment(round(begin.timestamp() * 1000), hand.now.clock_ms, hand.now.boot)
    return hand.ready()


def looked(hand: Hand, ms: int = 0, zone: ZoneInfo = BERLIN) -> list[Record]:
    hand.wait(ms)
    return [*hand.do(ev.LookAhead(zone)).records]


def coming(hand: Hand) -> tuple[str, ...]:
    return checks_coming(hand.state, "bore-1", hand.now, BERLIN)


def measured(hand: Hand, *pieces: str) -> list[str | None]:
    verdicts = []
    for piece in pieces:
        hand.do(ev.SetTags({"lot": "L1", "piece": piece}))
        verdicts += [hand.show("38.010").verdict, hand.show("38.011").verdict]
    return verdicts


def test_every_so_many_pieces() -> None:
    """The last piece before the check is judged at all its places; the next piece waits; a check counts anew."""
    hand = ready(check_every_pieces=3)
    assert measured(hand, "1", "2", "3") == ["in-limits"] * 6
    assert measured(hand, "4") == ["not-judged"] * 2
    assert hand.records[-1].reasons == ("the check every 3 pieces is due",)
    hand.check("38.004")
    assert measured(hand, "5", "6", "7", "8")[-2:] == ["not-judged"] * 2


@pytest.mark.parametrize(("derivation", "waits"), [(4, "8"), (DERIVATION, "7")])
def test_the_piece_that_waited_for_the_check_is_the_first_after_it(derivation: int, waits: str) -> None:
    """Measured once more it counts, so that there are never more than three between two checks; it once did not."""
    hand = ready(check_every_pieces=3)
    hand.state = replace(hand.state, derivation=derivation)
    measured(hand, "1", "2", "3")
    assert measured(hand, "4") == ["not-judged"] * 2
    hand.check("38.004")
    judged = {piece: measured(hand, piece)[0] for piece in "45678"}
    assert next(piece for piece, verdict in judged.items() if verdict == "not-judged") == waits


def test_a_piece_that_is_checked_in_the_middle_of_counts_on_both_sides() -> None:
    """Its last places are measured by the later check alone."""
    hand = ready(check_every_pieces=1)
    assert measured(hand, "1") == ["in-limits"] * 2
    hand.check("38.004")
    assert measured(hand, "1") == ["in-limits"] * 2
    assert measured(hand, "2") == ["not-judged"] * 2


def test_readings_without_a_piece_count_as_pieces() -> None:
    """Where nobody names pieces, each reading may be another one."""
    hand = ready(check_every_pieces=2)
    assert [hand.show(each).verdict for each in ("38.010", "38.011", "38.012")] == [
        "in-limits", "in-limits", "not-judged",
    ]  # fmt: skip


def test_every_so_often() -> None:
    """Time counts from the last good check, by the clock that counts through sleep."""
    hand = ready(check_every_ms=2 * HOUR)
    hand.wait(2 * HOUR - 10_000)
    assert hand.show("38.010").verdict == "in-limits"
    hand.wait(10_000)
    assert hand.show("38.011").reasons == ("the check every 2 h is due",)
    hand.check("38.004")
    assert hand.show("38.012").verdict == "in-limits"


@pytest.mark.parametrize(
    ("gauge", "said"),
    [
        ({"check_every_ms": 2 * HOUR}, "due in 10 min: the check every 2 h"),
        ({"valid_for_ms": 8 * HOUR}, "due in 10 min: the check at least every 8 h"),
        ({"check_every_ms": HOUR, "warning_ms": 15 * MINUTE}, "due in 15 min: the check every 1 h"),
        ({"check_every_ms": 20 * MINUTE}, "due in 5 min: the check every 20 min"),
        ({"check_every_ms": 20 * MINUTE, "warning_ms": HOUR}, "due in 5 min: the check every 20 min"),
    ],
)
def test_a_check_is_told_ahead(gauge: dict[str, int], said: str) -> None:
    """So long before it is due, at most a quarter of the way, a condition says so once; then once that it is due."""
    hand = ready(None, **gauge)
    every = gauge.get("check_every_ms", 8 * HOUR)
    ahead = min(gauge.get("warning_ms", 10 * MINUTE), every // 4)
    assert looked(hand, every - ahead - 5000) == []
    (soon,) = looked(hand, 5000)
    assert (soon.kind, soon.gauge, soon.code, soon.text) == (Kind.CONDITION, "bore-1", "check-due-soon", said)
    assert looked(hand, MINUTE) == []
    assert hand.show("38.010").verdict == "in-limits"
    (due,) = looked(hand, ahead)
    assert (due.code, due.ends_mastering) == ("check-due", None)
    assert looked(hand, MINUTE) == []
    assert coming(hand) == ()
    hand.check("38.004")
    assert looked(hand) == []
    assert looked(hand, every - ahead)[0].code == "check-due-soon"


def test_pieces_and_readings_are_told_ahead() -> None:
    """Pieces and readings that are left are counted down, the last piece in hand by name."""
    hand = ready(check_every_pieces=10, valid_count=40)
    measured(hand, *map(str, range(8)))
    assert coming(hand) == ("due after 2 more pieces: the check every 10 pieces",)
    measured(hand, "8", "9")
    assert coming(hand) == ("due before the next piece: the check every 10 pieces",)
    assert looked(hand)[0].code == "check-due-soon"
    hand = ready(valid_count=8)
    measured(hand, *"123")
    assert coming(hand) == ("due after 2 more readings: the check after 8 readings",)
    assert ready(check_every_pieces=1).show("38.010").verdict == "in-limits"


def test_times_of_day() -> None:
    """A check at a shift's start is due when its time has passed in the station's zone, told before and once."""
    hand = ready(at(2026, 11, 24, 11, 0), check_at_min=(6 * 60, 14 * 60))
    assert looked(hand) == []
    (soon,) = looked(hand, 2 * HOUR + 50 * MINUTE)
    assert soon.code == "check-due-soon"
    assert "the check at 14:00" in (soon.text or "")
    (due,) = looked(hand, 10 * MINUTE)
    assert (due.code, due.text, due.ends_mastering) == ("check-due", "the check at 14:00 is due", True)
    assert hand.show("38.010").reasons == ("the check at 14:00 is due",)
    hand.check("38.004")
    assert looked(hand) == []
    assert hand.show("38.010").verdict == "in-limits"


def test_a_check_just_before_its_time_counts_for_it() -> None:
    """Who is warned and checks at once is not asked again a few minutes later; the next day they are."""
    hand = ready(at(2026, 11, 24, 13, 55), check_at_min=(14 * 60,), valid_for_ms=None)
    assert looked(hand, 30 * MINUTE) == []
    assert looked(hand, 23 * HOUR + 10 * MINUTE) == []
    assert [record.code for record in looked(hand, 30 * MINUTE)] == ["check-due"]


@pytest.mark.parametrize(
    ("checked", "passed", "due"),
    [
        (at(2026, 3, 28, 22, 30), at(2026, 3, 29, 8, 0), False),
        (at(2026, 3, 28, 21, 30), at(2026, 3, 29, 8, 0), True),
        (at(2026, 10, 24, 22, 30), at(2026, 10, 25, 8, 0), False),
        (at(2026, 10, 24, 21, 30), at(2026, 10, 25, 8, 0), True),
    ],
)
def test_times_of_day_across_summer_time(checked: datetime, passed: datetime, due: bool) -> None:
    """The check at 22:00 before the clocks are changed is at 22:00 of that day's clocks."""
    hand = ready(checked, check_at_min=(22 * 60,), valid_for_ms=None)
    then = round(passed.timestamp() * 1000)
    assert [record.code for record in looked(hand, then - hand.now.utc_ms)] == ["check-due"] * due


def test_what_was_missed_is_told_at_the_next_start() -> None:
    """A time of day that passed while the service was down is due as soon as it looks again."""
    hand = ready(at(2026, 11, 24, 13, 0), check_at_min=(14 * 60,))
    hand.now = Moment(hand.now.utc_ms + 2 * HOUR, 1000, "boot-2")
    hand.do(ev.Started("test"))
    hand.do(ev.LinkUp("usb-1", "a port"))
    assert [record.code for record in looked(hand)] == ["check-due"]


def test_nothing_is_told_of_a_gauge_that_waits_anyway() -> None:
    """A gauge that is to be checked for another reason is not warned of the next check."""
    hand = ready(check_every_ms=HOUR)
    hand.do(ev.Report("bore-1", "knock"))
    assert looked(hand, 50 * MINUTE) == []
    fresh = Hand(set_up({"check_every_ms": HOUR}))
    assert looked(fresh, 2 * HOUR) == []


def test_calibrations_that_end_soon() -> None:
    """Two weeks before, the end of the gauge's and its master's calibration is told in days."""
    hand = Hand(set_up())
    due = hand.now.utc_ms + 20 * 24 * HOUR
    masters = {"ring-1": replace(RING, due_utc_ms=due - 7 * 24 * HOUR)}
    hand = Hand(set_up({"due_utc_ms": due}, masters=masters)).ready()
    assert calibrations_coming(hand.state, "bore-1", hand.now) == (
        "due in 13 days: the calibration of ring-1",
    )
    hand.wait(8 * 24 * HOUR)
    assert len(calibrations_coming(hand.state, "bore-1", hand.now)) == 2
    hand.wait(6 * 24 * HOUR)
    assert calibrations_coming(hand.state, "bore-1", hand.now) == (
        "due in 6 days: the calibration of the gauge",
    )


BOTH = (LotCheck.OPENING, LotCheck.CLOSING)


def lots(*asked: LotCheck) -> Hand:
    hand = Hand(set_up(lot_checks_asked=asked)).ready()
    hand.do(ev.SetTags({"lot": "L1"}))
    return hand


def test_each_lot_opens_with_a_check_of_its_own() -> None:
    """Asked for, the opening check is made in the lot, however fresh the last one is, and its record names the lot."""
    hand = lots(LotCheck.OPENING)
    assert hand.show("38.010").reasons == ("lot L1 opens with a check",)
    passed = hand.check("38.004")
    assert (passed.lot, passed.text) == ("L1", "lot L1 opens")
    assert hand.show("38.010").verdict == "in-limits"
    hand.do(ev.SetTags({"lot": None}))
    assert standing(hand.state, "bore-1", hand.now) == ()


def test_a_lot_that_was_measured_closes_with_a_check() -> None:
    """A lot put away without its closing check is closed before the gauge measures on; one check may do both."""
    hand = lots(*BOTH)
    hand.check("38.004")
    hand.show("38.010")
    told = hand.do(ev.SetTags({"lot": "L2"})).reply.text
    assert told == "lot L2, no piece; bore-1: lot L1 closes with a check; bore-1: lot L2 opens with a check"
    assert len(standing(hand.state, "bore-1", hand.now)) == 2
    passed = hand.check("38.004")
    assert (passed.lot, passed.text) == ("L2", "lot L1 closes; lot L2 opens")
    hand.show("38.010")
    closing = hand.check("38.004")
    assert (closing.lot, closing.text) == ("L2", None)
    assert hand.do(ev.SetTags({"lot": None})).reply.text == "no lot, no piece"


def test_a_lot_that_was_never_measured_need_not_be_opened() -> None:
    """Another lot called out by mistake leaves no check behind."""
    hand = lots(*BOTH)
    hand.do(ev.SetTags({"lot": "L2"}))
    assert standing(hand.state, "bore-1", hand.now) == ("lot L2 opens with a check",)


def test_only_the_end_that_is_asked_for_waits_for_a_check() -> None:
    """A lot that need not be opened is measured at once; what was measured without a lot closes none."""
    hand = lots(LotCheck.CLOSING)
    assert hand.show("38.010").verdict == "in-limits"
    hand = Hand(set_up(lot_checks_asked=BOTH)).ready()
    hand.show("38.010")
    hand.do(ev.SetTags({"lot": "L1"}))
    assert standing(hand.state, "bore-1", hand.now) == ("lot L1 opens with a check",)


def test_a_closing_check_that_fails_makes_the_lot_suspect() -> None:
    """What the lot's pieces were measured with is in doubt from its last good check on."""
    hand = lots(*BOTH)
    hand.check("38.004")
    first = hand.show("38.010")
    hand.do(ev.SetTags({"lot": "L2"}))
    assert hand.check("38.009").code == "failed"
    suspect = hand.last(Kind.SUSPECT)
    assert (suspect.first, suspect.count) == (hand.records.index(first) + 1, 1)
    assert hand.last(Kind.CHECK).text is None


def test_checks_name_no_lot_where_none_is_asked_for() -> None:
    """Journals of stations with one check between lots are derived as they were written."""
    hand = Hand(set_up()).ready()
    hand.do(ev.SetTags({"lot": "L1"}))
    assert (hand.check("38.004").lot, hand.last(Kind.CHECK).text) == (None, None)
    hand.show("38.010")
    told = hand.do(ev.SetTags({"lot": "L2"})).reply.text
    assert told == "lot L2, no piece; bore-1: the lot changed: check before measuring on"


def test_a_failed_check_of_any_kind_names_what_it_puts_in_doubt() -> None:
    """A check that was due by pieces and fails makes everything since the last good one suspect."""
    hand = ready(check_every_pieces=2, check_limit_mm=D("0.002"))
    first = hand.state.sequence + 2
    measured(hand, "1", "2", "3")
    hand.check("38.010")
    assert (hand.last(Kind.SUSPECT).first, hand.last(Kind.SUSPECT).count) == (first, 6)
