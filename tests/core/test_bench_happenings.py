"""What happens to the service and its links: starts, set-ups, clocks, losses; each is a record that says all of it."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import State, decide, events as ev
from gaugepost.core.bench.apply import WALL_WENT_BACK
from gaugepost.core.evidence.checkpoint import Checkpoint, Signed
from gaugepost.core.indication import Moment, Temperature
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Combine, to_document
from tests.core.station import AIR, Hand, set_up


def told(record: Record, *names: str) -> tuple[Any, ...]:
    return tuple(getattr(record, name) for name in names)


def restarted(hand: Hand, *, later_ms: int, boot: str | None = None, clock_ms: int = 1000) -> Record:
    """Start the service again, by the wall clock `later_ms` after the last record; return the record of it."""
    at_clock_ms = hand.now.clock_ms + 1000 if boot is None else clock_ms
    hand.now = Moment(hand.now.utc_ms + later_ms, at_clock_ms, boot or hand.now.boot)
    start = hand.at_once(ev.Started("9.9")).records[-1]
    assert start.kind is Kind.START
    return start


def test_a_start_says_which_program_and_which_start_of_the_computer() -> None:
    """Of the program that ran, and of the clock that durations are taken from."""
    hand = Hand(set_up())
    start = hand.records[0]
    assert told(start, "kind", "program", "boot", "text", "ends_mastering") == (
        Kind.START, "test", "boot-1", None, None,
    )  # fmt: skip
    assert told(start, "measured_at", "clock_ms") == (1_790_000_001_000, 51_000)
    again = restarted(hand, later_ms=5000, boot="boot-2")
    assert told(again, "program", "boot", "text") == ("9.9", "boot-2", None)


@pytest.mark.parametrize(
    ("later_ms", "boot", "ends"),
    [
        (0, "boot-2", False),
        (-1, "boot-2", True),
        (-3_600_000, None, False),  # the service alone was started: its clock knows how long that took
        (-1, None, False),
    ],
)
def test_a_wall_clock_behind_the_journal_ends_masterings(later_ms: int, boot: str | None, ends: bool) -> None:
    """Across a start of the computer only it says how old a check is; behind the last record it says nothing."""
    hand = Hand(set_up()).ready()
    start = restarted(hand, later_ms=later_ms, boot=boot)
    assert start.ends_mastering is (True if ends else None)
    assert ("set it, then check the gauges" in (start.text or "")) is ends
    assert hand.state.gauges["bore-1"].due == ((WALL_WENT_BACK,) if ends else ())


@pytest.mark.parametrize(("moved_ms", "said"), [
    (1999, None), (-1999, None), (2000, "+2.000"), (-2000, "-2.000"), (7_200_000, "+7200.000"),
])  # fmt: skip
def test_a_moved_wall_clock_is_told_before_what_follows(moved_ms: int, said: str | None) -> None:
    """From two seconds on, forward or back, by how much; less is how two clocks drift."""
    hand = Hand(set_up())
    hand.wait(60_000, wall_ms=60_000 + moved_ms)
    records = hand.at_once(ev.SetTags({"lot": "L1"})).records
    assert [each.kind for each in records] == [Kind.CONDITION, Kind.TAGS][0 if said else 1 :]
    if said:
        assert told(records[0], "code", "text") == ("clock-jump", f"the wall clock was moved by {said} s")
        assert told(records[0], "measured_at", "clock_ms") == (hand.now.utc_ms, hand.now.clock_ms)
    hand.wait(1000)
    assert len(hand.at_once(ev.SetTags({"lot": "L2"})).records) == 1, "told once"


def test_a_wall_clock_moved_while_only_the_service_was_stopped_is_told_before_its_start() -> None:
    """The computer ran on, so its other clock says by how much; after a start of the computer nothing does."""
    hand = Hand(set_up()).ready()
    hand.do(ev.Stopped())
    hand.wait(60_000, wall_ms=3_660_000)
    records = hand.at_once(ev.Started("test")).records
    assert [each.kind for each in records] == [Kind.CONDITION, Kind.START]
    assert told(records[0], "code", "text") == ("clock-jump", "the wall clock was moved by +3600.000 s")
    assert records[1].ends_mastering is None
    hand.do(ev.Stopped())
    hand.wait(60_000)
    assert [each.kind for each in hand.at_once(ev.Started("test")).records] == [Kind.START]


def test_a_moved_wall_clock_counts_as_a_record_of_its_own() -> None:
    """What a reading names, and what is made of it, are found where they stand, one further than without the jump."""
    hand = Hand(set_up(characteristic={"readings": 2, "combine": Combine.MEAN})).ready()
    hand.do(ev.SetTags({"piece": "1"}))
    hand.show("38.010")
    hand.wait(1000, wall_ms=3_600_000)
    jump = hand.show("38.012")
    assert jump.kind is Kind.CONDITION
    result = hand.last(Kind.RESULT)
    assert [hand.records[at - 1].indication for at in result.members or ()] == ["38.010", "38.012"]


def test_a_moved_wall_clock_alone_is_no_record() -> None:
    """Nothing happened at the bench, so nothing is written; it is told with what happens next."""
    hand = Hand(set_up(thermometers={"air": AIR}))
    hand.warm("21.50")
    hand.wait(1000, wall_ms=3_600_000)
    assert hand.at_once(ev.Arrived("usb-9", Temperature(D("21.50"), b"t"))).records == ()
    assert hand.at_once(ev.Stopped()).records[0].code == "clock-jump"


def test_clocks_of_two_starts_are_not_compared() -> None:
    """Before the first record, and in another start of the computer, there is no clock to compare with."""
    up = ev.LinkUp("usb-1", "a port")
    now = Moment(1_790_000_000_000, 50_000, "boot-1")
    assert [each.kind for each in decide(State(), up, now).records] == [Kind.LINK]
    hand = Hand(set_up())
    other = replace(hand.now, boot="boot-2", clock_ms=7)
    assert [each.kind for each in decide(hand.state, up, other).records] == [Kind.LINK]


def test_the_same_set_up_is_recorded_once() -> None:
    """A start with an unchanged station file adds nothing; the first one, and each change, is there to be read."""
    hand = Hand(set_up())
    (first,) = (each for each in hand.records if each.kind is Kind.SET_UP)
    assert first.document == to_document(hand.set_up)
    assert hand.load(hand.set_up).records == ()
    (other,) = hand.load(set_up({"valid_count": 7})).records
    assert other.document == to_document(hand.set_up)


def test_a_link_that_comes_and_goes() -> None:
    """Both say which, and in words what it is, and why it went; a loss ends masterings, and is told once."""
    hand = Hand(set_up()).ready()
    (lost,) = hand.do(ev.LinkDown("usb-1", "unplugged")).records
    assert told(lost, "kind", "link", "code", "text", "ends_mastering") == (
        Kind.LINK, "usb-1", "lost", "unplugged", True,
    )  # fmt: skip
    assert hand.do(ev.LinkDown("usb-1", "unplugged")).records == ()
    (back,) = hand.do(ev.LinkUp("usb-1", "port 3, serial 4711")).records
    assert told(back, "kind", "link", "code", "text", "ends_mastering") == (
        Kind.LINK, "usb-1", "connected", "port 3, serial 4711", None,
    )  # fmt: skip
    assert hand.do(ev.LinkDown("usb-1", "unplugged")).records


def test_what_was_not_recorded_is_told() -> None:
    """How long, why, how much was held and how much was lost, which is the number that counts."""
    hand = Hand(set_up())
    since = hand.now.utc_ms + 1000 - 61_500
    (gap,) = hand.do(ev.RecordingResumed(since, "the disk is full", 12, 3)).records
    assert told(gap, "kind", "count") == (Kind.GAP, 3)
    assert gap.text == "not recording for 61.500 s: the disk is full; 12 held and recorded after this, 3 lost"


def test_a_gauge_that_could_not_be_asked() -> None:
    """Whoever pressed sees which gauge, and why nothing comes."""
    (said,) = Hand(set_up()).do(ev.NotAsked("bore-1", "usb-1 is not connected")).records
    assert told(said, "kind", "gauge", "code", "text") == (
        Kind.CONDITION, "bore-1", "not-asked", "usb-1 is not connected",
    )  # fmt: skip


@pytest.mark.parametrize("following", [None, b"n" * 32])
def test_a_checkpoint_holds_all_that_was_signed(following: bytes | None) -> None:
    """With what the record holds, and the journal's own names, anybody can draw the signed text again."""
    hand = Hand(set_up())
    made = Checkpoint("test bench", "epoch-1", 1, 4, b"h" * 32, hand.now.utc_ms + 1000, following)
    (record,) = hand.do(ev.HeadSigned(Signed(made, b"k" * 32, b"s" * 64))).records
    assert told(record, "kind", "first", "last", "last_hash", "measured_at", "next_public_key") == (
        Kind.CHECKPOINT, made.first, made.last, made.hash, made.utc_ms, made.next_key,
    )  # fmt: skip
    assert told(record, "public_key", "signature") == (b"k" * 32, b"s" * 64)


def test_a_change_of_who_may_come_in() -> None:
    """Whose entry, what of it, by whom, and how it stands now."""
    (said,) = Hand(set_up()).do(ev.AccessChanged("eve", "added", "root", "operator, with a PIN")).records
    assert told(said, "kind", "person", "code", "operator", "text") == (
        Kind.ACCESS, "eve", "added", "root", "operator, with a PIN",
    )  # fmt: skip


def test_the_end_is_a_record() -> None:
    """A journal that ends without one was cut off."""
    (record,) = Hand(set_up()).do(ev.Stopped()).records
    assert record.kind is Kind.STOP


def test_a_refusal_says_what_to_do_and_changes_nothing() -> None:
    """Nothing is recorded of it."""
    hand = Hand(set_up())
    decision = hand.do(ev.SetTags({"characteristic": "Z"}))
    assert (decision.records, decision.requests, decision.reply.accepted) == ((), (), False)
    assert decision.reply.text == "no characteristic is named 'Z'"
    assert decision.reply.hint == "the characteristics here: A"


@pytest.mark.parametrize(("masters", "hint"), [(("x",), "the masters here: ring-1"), (("x",), None)])
def test_what_is_not_here_is_refused_with_what_is(masters: tuple[str, ...], hint: str | None) -> None:
    """Names in alphabetical order; where there is none, that is said."""
    hand = Hand(set_up() if hint else set_up(masters={}))
    reply = hand.do(ev.BeginMastering("bore-1", masters)).reply
    assert (reply.accepted, reply.text) == (False, "no master is named 'x'")
    assert reply.hint == (hint or "the masters here: none")
