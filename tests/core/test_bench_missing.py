"""Where records of a journal are missing: what is still known, what is not, and what of the rest can be applied."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal as D

import pytest

from gaugepost.core.bench import State, events as ev, follow
from gaugepost.core.bench.apply import RECORDS_MISSING
from gaugepost.core.bench.combining import place_of
from gaugepost.core.bench.standing import standing
from gaugepost.core.indication import Condition, Trigger
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.core.setup import Combine, Does, SetUp, TriggerEntry
from tests.core.station import AIR, BORE, GAUGE, RING, Hand, set_up

RING_2 = replace(RING, name="ring-2", size_mm=D("38.0512"), serial="R-2")
TWO_GAUGES = {"bore-1": GAUGE, "bore-2": replace(GAUGE, name="bore-2", link="usb-2")}


def without(hand: Hand, lost: Callable[[int, Record], bool]) -> State:
    """Return the bench as it follows the hand's journal without the records that are lost."""
    state = State()
    for at, record in enumerate(hand.records, 1):
        if not lost(at, record):
            state = follow(state, Entry(at, b"", record))
    return state


def numbered(*lost: int) -> Callable[[int, Record], bool]:
    return lambda at, _: at in lost


def gapped(hand: Hand) -> Hand:
    """Lose one record that says nothing of the bench, and carry on where the journal ends."""
    hand.do(ev.Arrived("usb-1", Condition("E1", "battery low", b"E1")))
    gap = len(hand.records)
    hand.do(ev.Arrived("usb-1", Condition("E2", "battery lower", b"E2")))
    hand.state = without(hand, numbered(gap))
    return hand


def test_nothing_in_hand_is_known_after_a_gap() -> None:
    """Who measures what piece of which lot, where, and which characteristic: it may all have been said meanwhile."""
    stations = {"A": BORE, "B": replace(BORE, name="B")}
    hand = Hand(set_up(characteristics=stations)).ready()
    hand.do(
        ev.SetTags({"operator": "M1", "lot": "L1", "piece": "7", "position": "top", "characteristic": "B"})
    )
    reading = gapped(hand).show("38.010")
    assert [reading.operator, reading.lot, reading.piece, reading.position, reading.characteristic] == [
        None
    ] * 5


def test_links_and_temperatures_are_not_known_after_a_gap() -> None:
    """A loss of a link that nobody knows to be there is not told; a temperature is recorded as if it were the first."""
    hand = Hand(set_up(thermometers={"air": AIR}))
    hand.warm("21.50")
    assert hand.warm("21.50").records == ()
    gapped(hand)
    assert hand.state.links == frozenset()
    assert hand.do(ev.LinkDown("usb-1", "unplugged")).records == ()
    assert [record.kind for record in hand.warm("21.50").records] == [Kind.TEMPERATURE]


def test_the_same_bytes_after_a_gap_are_a_send_of_their_own() -> None:
    """Neither a frame nor a press is taken for the double of one before: the computer may have started in between."""
    pedal = TriggerEntry(name="pedal", link="usb-6", does=Does.ASK, gauge="bore-1", debounce_ms=60_000)
    hand = Hand(set_up({"debounce_ms": 60_000}, triggers={"pedal": pedal}))
    hand.show("38.010")
    hand.do(ev.Arrived("usb-6", Trigger("pedal", b"\x01")))
    gapped(hand)
    assert hand.show("38.010").kind is Kind.READING
    assert hand.do(ev.Arrived("usb-6", Trigger("pedal", b"\x01"))).requests == ("bore-1",)


def test_what_goes_on_does_not_go_on_after_a_gap() -> None:
    """Half a mastering may be in it, or its end: what the gauge sends is a reading."""
    hand = Hand(set_up())
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=3))
    hand.show("38.004")
    assert gapped(hand).show("38.004").kind is Kind.READING


def test_half_measured_pieces_are_not_combined_over_a_gap() -> None:
    """What waited for others, and why the next reading is another attempt, is forgotten: it begins anew."""
    hand = Hand(set_up(characteristic={"combine": Combine.MEAN, "positions": ("top", "bottom")})).ready()
    hand.do(ev.SetTags({"piece": "1"}))
    hand.do(ev.Another("bore-1", "rework", operator="M1"))
    hand.show("38.010")
    hand.do(ev.Another("bore-1", "rework", operator="M1"))
    gapped(hand)
    entry = hand.set_up.characteristics["A"]
    assert (place_of(hand.state, entry), hand.state.groups, hand.state.again) == ("top", {}, {})
    hand.do(ev.SetTags({"piece": "1"}))
    assert hand.show("38.012").text is None


@pytest.mark.parametrize(("sets", "known"), [(("A", "B"), None), (("A",), "A"), (None, None)])
def test_contacts_may_have_been_changed_in_a_gap(sets: tuple[str, ...] | None, known: str | None) -> None:
    """Which set is on is known where there is only one."""
    hand = Hand(set_up({"contact_sets": sets}))
    if sets:
        hand.do(ev.Report("bore-1", "contacts", contact_set=sets[0]))
    assert gapped(hand).state.gauges["bore-1"].contact_set == known


@pytest.mark.parametrize("measured", [False, True])
def test_a_check_that_fails_after_a_gap_doubts_what_is_missing(measured: bool) -> None:
    """From the first missing record on, or from the first reading since the last good check where that was before."""
    hand = Hand(set_up()).ready()
    if measured:
        hand.show("38.010")
    first = len(hand.records) + (0 if measured else 1)  # the reading, or the record that gets lost
    gapped(hand)
    assert standing(hand.state, "bore-1", hand.now) == (RECORDS_MISSING,)
    hand.do(ev.LinkUp("usb-1", "a port"))
    assert hand.check("38.010").code == "failed"
    assert hand.last(Kind.SUSPECT).first == first


def test_the_journals_end_is_known_whatever_was_passed_over() -> None:
    """Its time and its start of the computer are those of the last record, also where that could not be applied."""
    hand = Hand(set_up())
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=2))
    begun = len(hand.records)
    hand.show("38.004")
    state = without(hand, numbered(begun))
    assert (state.sequence, state.missing) == (len(hand.records), 1)
    assert state.now == hand.now
    assert without(hand, lambda at, _: at < len(hand.records)).now == replace(hand.now, boot="")


def test_a_gauge_that_nobody_knows() -> None:
    """The set-up that named it is missing: its records are passed over, and those of no gauge are not."""
    hand = Hand(set_up()).ready()
    new = set_up(gauges=TWO_GAUGES)
    hand.load(new)
    loaded = len(hand.records)
    hand.show("38.010", gauge="bore-2")
    hand.do(ev.LinkUp("usb-2", "a port"))
    hand.do(ev.BeginMastering("bore-2", ("ring-1",), ("R-1",), readings=1))
    hand.show("38.004", gauge="bore-2")
    assert hand.last(Kind.MASTERING).gauge == "bore-2"
    hand.do(ev.SetTags({"lot": "L7"}))
    state = without(hand, numbered(loaded))
    assert (list(state.gauges), state.lot) == (["bore-1"], "L7")
    assert state.gauges["bore-1"].mastered == hand.state.gauges["bore-1"].mastered


def test_a_void_stands_though_its_gauge_is_gone() -> None:
    """What was said of a record is known when its gauge has left the station file, or it could be said twice."""
    hand = Hand(set_up()).ready()
    target = hand.show("38.010")
    reading = len(hand.records)
    gapped(hand)
    hand.load(set_up(gauges={"bore-2": TWO_GAUGES["bore-2"]}, characteristics={}))
    hand.do(ev.Void(reading, target, "dirt", operator="M1"))
    void = len(hand.records)
    state = without(hand, numbered(reading + 1))
    assert state.replaced.get(reading) == void


def mastered(station: SetUp | None = None) -> Hand:
    """Return a bench that is mastered on one ring and checked, with another ring to be mastered on."""
    return Hand(station or set_up(masters={"ring-1": RING, "ring-2": RING_2})).ready()


@pytest.mark.parametrize("lost", ["the beginning", "a reading"])
def test_a_mastering_of_which_something_is_missing_ends_the_one_before(lost: str) -> None:
    """Another one is in force than that which is known: the gauge counts as never mastered, for no other reason."""
    hand = mastered()
    hand.do(ev.BeginMastering("bore-1", ("ring-2",), ("R-2",), readings=2))
    begun = len(hand.records)
    hand.show("38.054")
    hand.show("38.054")
    state = without(hand, numbered(begun if lost == "the beginning" else begun + 1))
    assert standing(state, "bore-1", hand.now) == ("not mastered",)
    known = state.gauges["bore-1"]
    assert (known.mastered, known.due, known.checked, known.procedure) == (None, (), None, None)


@pytest.mark.parametrize("kind", [Kind.MASTERING, Kind.CHECK])
def test_a_whole_mastering_and_check_after_a_gap_count(kind: Kind) -> None:
    """From its beginning on everything is there: the mastering is in force, and a good check ends the doubt."""
    hand = gapped(mastered())
    hand.do(ev.LinkUp("usb-1", "a port"))
    hand.do(ev.BeginMastering("bore-1", ("ring-2", "ring-1"), ("R-2", "R-1"), readings=1))
    hand.show("38.054")
    hand.show("38.004")
    made = hand.state.sequence
    if kind is Kind.CHECK:
        hand.check("38.004")
    gap = next(at for at, record in enumerate(hand.records, 1) if record.code == "E1")
    state = without(hand, numbered(gap))
    assert state == hand.state
    known = state.gauges["bore-1"].mastered
    assert known is not None
    assert known.sequence == made
    assert standing(state, "bore-1", hand.now) == (
        () if kind is Kind.CHECK else ("mastered, not yet checked",)
    )


def test_a_check_of_which_something_is_missing_proves_nothing() -> None:
    """The mastering stays, and waits for a check; what is passed over ends nothing else."""
    hand = mastered()
    before = hand.state.gauges["bore-1"].mastered
    hand.do(ev.BeginCheck("bore-1", "ring-2", "R-2", readings=2))
    begun = len(hand.records)
    hand.show("38.054")
    hand.show("38.054")
    for lost in (begun, begun + 1):
        state = without(hand, numbered(lost))
        assert state.gauges["bore-1"].mastered == before
        assert state.gauges["bore-1"].checked is not None
        assert standing(state, "bore-1", hand.now) == (RECORDS_MISSING,)


def test_a_check_of_a_mastering_that_is_missing_proves_nothing() -> None:
    """What it was good for is not known: the gauge stays unmastered, and nothing goes on."""
    hand = Hand(set_up()).ready()
    check = next(at for at, record in enumerate(hand.records, 1) if record.kind is Kind.CHECK_BEGUN)
    state = without(hand, lambda at, _: 2 < at < check)
    known = state.gauges["bore-1"]
    assert standing(state, "bore-1", hand.now) == ("not mastered",)
    assert (known.procedure, known.checked) == (None, None)


@pytest.mark.parametrize("what", ["mastering", "check"])
def test_what_was_begun_under_a_set_up_that_is_missing(what: str) -> None:
    """The ring's size is not known: a mastering on it is another one, a check of it nothing, and neither goes on."""
    hand = mastered()
    before = hand.state.gauges["bore-1"].mastered
    hand.load(set_up(masters={"ring-1": replace(RING, size_mm=D("38.0022")), "ring-2": RING_2}))
    loaded = len(hand.records)
    if what == "mastering":
        hand.master("38.004")
    else:
        hand.check("38.004")
    state = without(hand, numbered(loaded))
    known = state.gauges["bore-1"]
    assert known.procedure is None
    assert known.mastered == (None if what == "mastering" else before)
    assert standing(state, "bore-1", hand.now) == (
        ("not mastered",) if what == "mastering" else (RECORDS_MISSING,)
    )


def test_what_is_measured_of_a_characteristic_that_nobody_knows() -> None:
    """The set-up that named it is missing: a reading counts for its gauge, results and attempts are passed over."""
    hand = mastered()
    of_two = {"B": replace(BORE, name="B", readings=2, combine=Combine.MEAN)}
    hand.load(set_up(masters=hand.set_up.masters, characteristics=of_two))
    loaded = len(hand.records)
    hand.check("38.004")
    hand.do(ev.SetTags({"lot": "L1", "piece": "7", "characteristic": "B"}))
    hand.do(ev.Another("bore-1", "rework", operator="M1"))
    readings = hand.state.gauges["bore-1"].readings
    hand.show("38.010")
    hand.show("38.012")
    assert hand.last(Kind.RESULT).characteristic == "B"
    state = without(hand, numbered(loaded))
    known = state.gauges["bore-1"]
    assert known.readings == readings + 2
    assert (known.characteristic, state.piece, state.groups, state.again) == (None, "7", {}, {})
    assert state.counts.of(("L1", "7", "B", None, "result")) == 0


def test_what_is_measured_of_a_characteristic_that_is_known() -> None:
    """After a gap results are made and attempts counted as before it, and the journal leads to where it was lived."""
    of_two = {"A": replace(BORE, readings=2, combine=Combine.MEAN)}
    hand = gapped(mastered(set_up(masters={"ring-1": RING, "ring-2": RING_2}, characteristics=of_two)))
    gap = next(at for at, record in enumerate(hand.records, 1) if record.code == "E1")
    hand.do(ev.LinkUp("usb-1", "a port"))
    hand.check("38.004")
    hand.do(ev.SetTags({"lot": "L1", "piece": "7", "characteristic": "A"}))
    hand.do(ev.Another("bore-1", "rework", operator="M1"))
    hand.show("38.010")
    hand.show("38.012")
    hand.do(ev.Another("bore-1", "recheck", operator="M1"))
    state = without(hand, numbered(gap))
    assert state == hand.state
    assert state.counts.of(("L1", "7", "A", None, "result")) == 1


def test_an_amendment_of_a_characteristic_that_nobody_knows() -> None:
    """It is said of a record: that the record does not stand is known all the same."""
    hand = mastered()
    hand.do(ev.SetTags({"lot": "L1", "piece": "7"}))
    target = hand.show("38.010")
    reading = len(hand.records)
    hand.load(set_up(masters=hand.set_up.masters, characteristics={}))
    loaded = len(hand.records)
    hand.load(set_up(masters=hand.set_up.masters, characteristics={"B": replace(BORE, name="B")}))
    hand.do(ev.Amend(reading, target, {"piece": "8"}, "called out wrong", operator="M1"))
    state = without(hand, numbered(loaded))
    assert state.replaced.get(reading) == len(hand.records)
    assert state.counts.of(("L1", "8", "A", None)) == 1
