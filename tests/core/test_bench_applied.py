"""What records leave behind at the bench: what goes on, what is in hand, what waits, and what a number rests on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import State, apply, events as ev
from gaugepost.core.bench.apply import SET_UP_EDITED
from gaugepost.core.bench.combining import place_of
from gaugepost.core.bench.standing import standing
from gaugepost.core.bench.state import Procedure, elapsed_ms, needed
from gaugepost.core.indication import Moment
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Kind
from gaugepost.core.setup import Body, Combine, DeclaredTemperature, LotCheck, PlaceEntry, SetUp, to_document
from tests.core.station import AIR, BORE, GAUGE, RING, Hand, set_up

RING_2 = replace(RING, name="ring-2", size_mm=D("38.0512"), serial="R-2")
RINGS = {"ring-1": RING, "ring-2": RING_2}
GAUGES = {"bore-1": GAUGE, "bore-2": replace(GAUGE, name="bore-2", link="usb-2")}
MEAN_OF_TWO = {"readings": 2, "combine": Combine.MEAN}


def two_gauges(**station: Any) -> Hand:
    made = {"gauges": GAUGES, "characteristics": {"A": replace(BORE, gauges=("bore-1", "bore-2"))}}
    return Hand(set_up(None, None, **(made | station)))


def masters(hand: Hand, gauge: str, *rings: str, finished: bool = True) -> None:
    """Master a gauge on rings and check it on the first; or leave the mastering going on."""
    serials = tuple(RINGS[ring].serial or "" for ring in rings)
    hand.do(ev.BeginMastering(gauge, rings, serials, readings=1 if finished else 2))
    for ring in rings if finished else ():
        hand.show(str(RINGS[ring].size_mm), gauge=gauge)
    if finished:
        hand.do(ev.BeginCheck(gauge, rings[0], serials[0], readings=1))
        hand.show(str(RINGS[rings[0]].size_mm), gauge=gauge)


def going(hand: Hand, gauge: str) -> bool:
    return hand.state.gauges[gauge].procedure is not None


def test_a_link_that_is_lost_ends_what_goes_on_with_its_gauges() -> None:
    """Readings before and after make no mastering; gauges on other links go on."""
    hand = two_gauges()
    for gauge in GAUGES:
        masters(hand, gauge, "ring-1")
        masters(hand, gauge, "ring-1", finished=False)
    hand.do(ev.LinkDown("usb-1", "unplugged"))
    assert (going(hand, "bore-1"), going(hand, "bore-2")) == (False, True)
    assert standing(hand.state, "bore-1", hand.now) == ("the link usb-1 was lost",)
    assert standing(hand.state, "bore-2", hand.now) == ()


def test_links_are_connected_anew_after_a_start() -> None:
    """What was connected before the service ended is not lost when it is not there: it never was, since then."""
    hand = Hand(set_up())
    hand.do(ev.Started("test"))
    assert hand.do(ev.LinkDown("usb-1", "not there")).records == ()


@pytest.mark.parametrize("edit", [{"station": "another name"}, {"masters": RINGS}])
def test_no_mastering_goes_on_through_an_edited_station_file_at_a_start(edit: dict[str, Any]) -> None:
    """Whatever was edited: at a start nobody is there to be told what it would mean for what is half done."""
    hand = two_gauges()
    masters(hand, "bore-1", "ring-1", finished=False)
    hand.load(replace(hand.set_up, **edit))
    assert not going(hand, "bore-1")


def test_a_mastering_goes_on_with_other_gauges_edited_at_work() -> None:
    """Each goes on by itself."""
    hand = two_gauges()
    masters(hand, "bore-1", "ring-1", finished=False)
    hand.do(
        ev.Reload(
            to_document(
                replace(hand.set_up, gauges=GAUGES | {"bore-2": replace(GAUGES["bore-2"], valid_count=7)})
            )
        )
    )
    assert going(hand, "bore-1")
    hand.show("38.0012")
    hand.show("38.0012")
    assert hand.last(Kind.MASTERING).code == "accepted"


def test_an_edited_gauge_scatters_anew() -> None:
    """What its masterings said of its repeatability says nothing of another gauge; others keep what they know."""
    hand = two_gauges()
    for gauge in GAUGES:
        hand.do(ev.BeginMastering(gauge, ("ring-1",), ("R-1",), readings=2))
        for digits in ("38.0010", "38.0014"):
            hand.show(digits, gauge=gauge)
    scatter = {name: known.scatter for name, known in hand.state.gauges.items()}
    assert scatter["bore-1"].degrees_of_freedom == scatter["bore-2"].degrees_of_freedom == 1
    hand.load(replace(hand.set_up, gauges=GAUGES | {"bore-2": replace(GAUGES["bore-2"], valid_count=7)}))
    assert hand.state.gauges["bore-1"].scatter == scatter["bore-1"]
    assert hand.state.gauges["bore-2"].scatter.degrees_of_freedom == 0


def both(**other: Any) -> dict[str, Any]:
    return {"A": replace(BORE, gauges=("bore-1", "bore-2")), "B": replace(BORE, name="B", **other)}


@pytest.mark.parametrize(
    ("characteristics", "measured"),
    [
        (both(gauges=("bore-1", "bore-2"), upper_mm=D("38.030")), ["B", "B"]),
        (both(gauges=("bore-1",)), ["B", "A"]),  # it serves the one any more, and the other has only A left
        ({"A": both()["A"]}, ["A", "A"]),
    ],
)
def test_what_was_selected_stays_as_long_as_the_gauge_serves_it(
    characteristics: dict[str, Any], measured: list[str]
) -> None:
    """A characteristic that left the station file, or is measured with other gauges now, is selected no more."""
    hand = two_gauges(characteristics=both(gauges=("bore-1", "bore-2")))
    hand.do(ev.SetTags({"characteristic": "B"}))
    hand.load(replace(hand.set_up, characteristics=characteristics))
    assert [hand.show("38.010", gauge=gauge).characteristic for gauge in GAUGES] == measured


@pytest.mark.parametrize("at_work", [True, False])
def test_half_a_piece_waits_through_an_edit_at_work_only(at_work: bool) -> None:
    """At a start it begins anew, also where its characteristic was left alone."""
    hand = Hand(set_up(characteristic=MEAN_OF_TWO)).ready()
    hand.do(ev.SetTags({"piece": "1"}))
    hand.show("38.010")
    new = set_up(characteristic=MEAN_OF_TWO, masters=RINGS)
    if at_work:
        hand.do(ev.Reload(to_document(new)))
    else:
        hand.load(new)
    hand.show("38.012")
    assert (hand.records[-1].kind is Kind.RESULT) is at_work


@pytest.mark.parametrize(("ring", "edited"), [("ring-1", True), ("ring-2", True), ("ring-3", False)])
def test_either_ring_of_a_mastering_that_is_edited_asks_for_a_check(ring: str, edited: bool) -> None:
    """One of two is enough; another ring says nothing of it."""
    rings = RINGS | {"ring-3": replace(RING_2, name="ring-3", serial="R-3")}
    hand = two_gauges(masters=rings)
    masters(hand, "bore-1", "ring-1", "ring-2")
    hand.load(replace(hand.set_up, masters=rings | {ring: replace(rings[ring], certificate="K 17")}))
    assert standing(hand.state, "bore-1", hand.now) == ((SET_UP_EDITED,) if edited else ())


@pytest.mark.parametrize(
    "edit",
    [
        {"declared": (DeclaredTemperature(body=Body.PART, celsius=D(21)),)},
        {"thermometers": {"air": AIR}},
        {"gauges": GAUGES | {"bore-1": replace(GAUGE, valid_count=7)}},
    ],
)
def test_what_a_value_rests_on_is_edited(edit: dict[str, Any]) -> None:
    """Temperatures and the gauge itself decide what its frames become: they ask for a check, as its rings do."""
    hand = two_gauges()
    masters(hand, "bore-1", "ring-1")
    hand.load(replace(hand.set_up, **edit))
    assert standing(hand.state, "bore-1", hand.now) == (SET_UP_EDITED,)


@pytest.mark.parametrize(
    ("clock_ms", "utc_ms", "boot", "passed_ms"),
    [
        (700, -3_600_000, "boot-1", 700),  # within one start of the computer the wall clock says nothing
        (-40_000, 700, "boot-2", 700),
        (-40_000, 0, "boot-2", 0),
        (-40_000, -1, "boot-2", None),
    ],
)
def test_how_long_ago_it_was(clock_ms: int, utc_ms: int, boot: str, passed_ms: int | None) -> None:
    """By the clock that counts through sleep; across a start by the wall clock, unless that went back meanwhile."""
    then = Moment(1_790_000_000_000, 50_000, "boot-1")
    now = Moment(then.utc_ms + utc_ms, then.clock_ms + clock_ms, boot)
    assert elapsed_ms(now, then) == passed_ms


def test_a_lot_waits_for_its_opening_check_until_it_is_put_away() -> None:
    """Another piece of the same lot changes nothing; another lot has its own, and no lot has none."""
    hand = Hand(set_up(lot_checks_asked=(LotCheck.OPENING,), lot_checks=True)).ready()

    def waiting(tags: dict[str, str | None]) -> tuple[str, ...]:
        hand.do(ev.SetTags(tags))
        return standing(hand.state, "bore-1", hand.now)

    assert waiting({"lot": "L1"}) == ("lot L1 opens with a check",)
    assert waiting({"piece": "1"}) == ("lot L1 opens with a check",)
    assert waiting({"lot": "L2"}) == ("lot L2 opens with a check",)
    hand.do(ev.LinkDown("usb-1", "unplugged"))
    assert waiting({"lot": None}) == ("the link usb-1 was lost",)


def test_the_next_check_says_why_the_reading_ended_the_mastering() -> None:
    """In the words of the reading: what is to be looked at before it is checked."""
    hand = Hand(set_up()).ready()
    reading = hand.show("38.01")
    assert reading.ends_mastering is True
    assert reading.reasons is not None
    assert standing(hand.state, "bore-1", hand.now) == (reading.reasons[0],)
    assert "38.01" not in reading.reasons[0]


def test_a_result_is_complete() -> None:
    """Its readings wait for no others: voiding one completes nothing with the next piece's first reading."""
    hand = Hand(set_up(characteristic=MEAN_OF_TWO)).ready()
    hand.do(ev.SetTags({"lot": "L1", "piece": "1"}))
    first = hand.show("38.010")
    at = len(hand.records)
    hand.show("38.012")
    assert [why for _, why in needed(hand.state) if "waits" in why] == []
    hand.do(ev.Void(at, first, "dirt", (), operator="M1"))
    assert hand.show("38.014").kind is Kind.READING
    assert hand.records[-1].kind is Kind.READING, "a result of a voided reading's other half"
    hand.show("38.016")
    assert hand.last(Kind.RESULT).value_mm == D("38.0122")


def test_a_form_is_complete() -> None:
    """Its places are measured anew: the first one again begins another form, and the last alone makes none."""
    places = {"top": PlaceEntry(depth_mm=D(2)), "bottom": PlaceEntry(depth_mm=D(20))}
    other = replace(BORE, name="B", positions=tuple(places), places=places)
    hand = Hand(set_up(characteristics={"A": replace(other, name="A"), "B": other})).ready()
    hand.do(ev.SetTags({"characteristic": "A"}))
    hand.show("38.010")
    hand.do(ev.SetTags({"characteristic": "B"}))
    for digits in ("38.010", "38.012"):
        hand.show(digits)
    assert hand.last(Kind.FORM).characteristic == "B"
    assert [each.split(" of ")[0] for _, each in needed(hand.state) if "waits" in each] == ["A"]
    hand.do(ev.SetTags({"position": "bottom"}))
    assert hand.do(ev.SetTags({"position": "bottom"})).reply.accepted
    forms = sum(record.kind is Kind.FORM for record in hand.records)
    hand.show("38.016")
    assert sum(record.kind is Kind.FORM for record in hand.records) == forms


def test_another_characteristics_half_piece_waits_on() -> None:
    """A result of one, or another attempt at it, takes nothing from what is half measured of another."""
    of_two = replace(BORE, readings=2, combine=Combine.MEAN)
    hand = Hand(set_up(characteristics={"A": of_two, "B": replace(of_two, name="B")})).ready()
    hand.do(ev.SetTags({"piece": "1", "characteristic": "A"}))
    hand.show("38.010")
    hand.do(ev.SetTags({"characteristic": "B"}))
    hand.show("38.011")
    hand.do(ev.Another("bore-1", "rework", operator="M1"))
    hand.show("38.012")
    hand.show("38.014")
    assert hand.last(Kind.RESULT).characteristic == "B"
    hand.do(ev.SetTags({"characteristic": "A"}))
    hand.show("38.012")
    assert hand.last(Kind.RESULT).value_mm == D("38.0082")


def test_another_attempt_is_one_at_every_place() -> None:
    """Half measured, also where two readings of each place are taken: all begin anew with it, as its next attempt."""
    hand = Hand(set_up(characteristic={"positions": ("top", "bottom"), "readings": 2})).ready()
    hand.do(ev.SetTags({"piece": "1"}))
    for digits in ("38.010", "38.011", "38.012"):
        hand.show(digits)
    hand.do(ev.Another("bore-1", "rework", operator="M1", note="deburred"))
    again = [hand.show(f"38.02{at}") for at in range(4)]
    assert [(each.position, each.attempt) for each in again] == [
        ("top", 2), ("top", 2), ("bottom", 2), ("bottom", 2),
    ]  # fmt: skip
    assert [each.text is not None and "deburred" in each.text for each in again] == [
        True,
        False,
        False,
        False,
    ]


def test_another_attempt_where_no_places_are_named() -> None:
    """It is one at the place in hand."""
    hand = Hand(set_up(characteristic={"readings": 2})).ready()
    hand.do(ev.SetTags({"piece": "1", "position": "90"}))
    hand.show("38.010")
    hand.do(ev.Another("bore-1", "rework", operator="M1"))
    assert hand.show("38.011").attempt == 2


def test_an_amended_reading_counts_where_it_belongs() -> None:
    """At its right piece the next one is another attempt; one that belongs to no piece is counted nowhere."""
    hand = Hand(set_up(characteristic={"positions": ("top", "bottom")})).ready()
    hand.do(ev.SetTags({"lot": "L1", "piece": "1"}))
    targets = [(len(hand.records) + 1, hand.show(f"38.01{at}")) for at in range(2)]
    for (sequence, target), piece in zip(targets, ("2", None), strict=True):
        reply = hand.do(ev.Amend(sequence, target, {"piece": piece}, "called out wrong", operator="M1")).reply
        assert reply.accepted, reply
    hand.do(ev.SetTags({"piece": "2", "position": "top"}))
    assert hand.show("38.010").attempt == 2
    hand.do(ev.SetTags({"piece": None, "position": None}))
    hand.do(ev.SetTags({"position": None}))
    assert place_of(hand.state, hand.set_up.characteristics["A"]) == "top"
    assert hand.state.counts.of(("L1", None, "A", "bottom")) == 0


def test_the_bench_says_which_records_it_still_rests_on() -> None:
    """A mastering in force, a check that goes on, the last good one, the first reading since, what waits."""
    hand = two_gauges(
        characteristics={"A": replace(BORE, gauges=("bore-1", "bore-2"), readings=2, combine=Combine.MEAN)}
    )
    assert needed(hand.state) == []
    masters(hand, "bore-1", "ring-1")
    mastering = next(at for at, each in enumerate(hand.records, 1) if each.kind is Kind.MASTERING)
    check = len(hand.records)
    hand.do(ev.SetTags({"lot": "L1", "piece": "7"}))
    hand.show("38.0100")
    reading = len(hand.records)
    hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1"))
    begun = len(hand.records)
    assert needed(hand.state) == [
        (mastering, "it is the mastering in force of bore-1: master it anew"),
        (begun, "a mastering or check of bore-1 is going on since then"),
        (check, "it is the last good check of bore-1: check it anew"),
        (reading, "bore-1 measured since its last good check: check it anew"),
        (reading, "A of piece 7 of lot L1 waits for readings since then"),
    ]


ON_TWO = Procedure(begun=1, masters=("ring-1", "ring-2"), wanted=2, is_check=False)


@pytest.mark.parametrize(
    ("taken", "master", "moving"),
    [(0, "ring-1", False), (1, "ring-1", False), (2, "ring-2", False), (3, "ring-2", False), (4, "ring-2", True),
     (5, "ring-2", True)],
)  # fmt: skip
def test_a_procedure_knows_what_is_read_next(taken: int, master: str, moving: bool) -> None:
    """Two readings of each of two masters, one after the other; after the last only a known movement is left."""
    going = replace(ON_TWO, taken_mm=tuple(map(D, range(taken))), movement=1)
    assert (going.master_now, going.is_moving, going.total) == (master, moving, 5)
    assert replace(going, movement=0).total == 4


@pytest.mark.parametrize("taken", [3, 4, 5])
def test_readings_belong_to_their_master(taken: int) -> None:
    """Those of the last may be fewer where it was ended early; a known movement is a reading of none."""
    going = replace(ON_TWO, taken_mm=tuple(map(D, range(taken))))
    assert going.sets_mm == ((D(0), D(1)), (D(2), D(3))[: taken - 2])


LIVES: list[Callable[[Hand], object]] = [
    lambda hand: hand.warm("21.5"),
    lambda hand: hand.show("38.010", unit=Unit.INCH),
    lambda hand: hand.do(ev.Report("bore-1", "knock")),
]


@pytest.mark.parametrize("happens", LIVES)
def test_a_state_is_never_changed(happens: Callable[[Hand], object]) -> None:
    """Who holds one, as a reply that waits for its commit does, finds in it what was true then."""
    hand = Hand(set_up(thermometers={"air": AIR})).ready()
    before, count = hand.state, len(hand.records)
    happens(hand)
    again = State()
    for record in hand.records[:count]:
        again = apply(again, record)
    assert before == again != hand.state


def test_an_edited_station_is_the_one_in_force() -> None:
    """Its document is what the state holds from its record on."""
    hand = Hand(set_up())
    new: SetUp = set_up(masters=RINGS)
    hand.load(new)
    assert (hand.state.set_up, hand.state.set_up_sequence) == (new, len(hand.records))
