"""Scanners and triggers: what a code says is in hand, what a foot switch steps, and what neither may do."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D

import pytest
from hypothesis import given, strategies as st

from gaugepost.core.bench import Decision, events as ev
from gaugepost.core.bench.arrivals.scanner import compiled, read_code
from gaugepost.core.bench.arrivals.trigger import next_piece
from gaugepost.core.errors import CommandRefused, ValueRefused
from gaugepost.core.indication import Code, Trigger
from gaugepost.core.record import Kind
from gaugepost.core.setup import Does, ScannerEntry, SetUp, TriggerEntry
from tests.core.station import BORE, Hand, set_up

CODES = ("{lot}/{piece}", "LOT{lot}", "P{piece}", "OP-{operator}", "M:{characteristic}")
SCANNER = ScannerEntry(name="hand", link="usb-5", codes=CODES)


def bench(*triggers: TriggerEntry) -> Hand:
    return Hand(with_triggers(*triggers))


def with_triggers(*triggers: TriggerEntry) -> SetUp:
    other = replace(BORE, name="B", gauges=("bore-1",))
    return set_up(
        scanners={"hand": SCANNER},
        triggers={trigger.name: trigger for trigger in triggers},
        characteristics={"A": replace(BORE, gauges=("bore-1",)), "B": other},
    )


def scan(hand: Hand, text: str) -> Decision:
    return hand.do(ev.Arrived("usb-5", Code(text, text.encode())))


def press(hand: Hand, trigger: TriggerEntry, *, after_ms: int = 1000) -> Decision:
    hand.wait(after_ms)
    return hand.at_once(ev.Arrived(trigger.link, Trigger("pedal", b"\x01")))


def test_a_code_says_what_is_in_hand() -> None:
    """What a code says goes with every reading after it, and the code itself is recorded with its bytes."""
    hand = bench()
    assert [record.kind for record in scan(hand, "L7/12").records] == [Kind.SCAN, Kind.TAGS]
    scan(hand, "OP-eve")
    scan(hand, "M:B")
    reading = hand.show("38.010")
    assert (reading.lot, reading.piece, reading.operator, reading.characteristic) == ("L7", "12", "eve", "B")
    assert next((r.device, r.code, r.raw) for r in hand.records if r.kind is Kind.SCAN) == (
        "hand",
        "taken",
        b"L7/12",
    )


@pytest.mark.parametrize(
    ("text", "code"), [("4006381333931", "unknown"), ("M:Z", "refused"), ("P\x07", "refused")]
)
def test_a_code_that_says_nothing_here_changes_nothing(text: str, code: str) -> None:
    """An unknown code, or one that names what is not there, is recorded and leaves what is in hand alone."""
    hand = bench()
    scan(hand, "L7/12")
    before = hand.state
    (record,) = scan(hand, text).records
    assert (record.kind, record.code, record.raw) == (Kind.SCAN, code, text.encode())
    assert (hand.state.lot, hand.state.piece, hand.state.gauges) == (before.lot, before.piece, before.gauges)


def test_a_new_lot_by_scan_clears_the_piece() -> None:
    """A piece is named within its lot, however the lot was said."""
    hand = bench()
    scan(hand, "L7/12")
    scan(hand, "LOTL8")
    assert (hand.state.lot, hand.state.piece) == ("L8", None)


WORDS = st.text(
    st.characters(min_codepoint=33, max_codepoint=126, exclude_characters="/"), min_size=1, max_size=20
)


@given(WORDS, WORDS)
def test_a_code_is_read_as_it_was_written(lot: str, piece: str) -> None:
    """What was put into the holes comes out of them."""
    assert read_code(CODES, f"{lot}/{piece}") == {"lot": lot, "piece": piece}


@pytest.mark.parametrize(
    "pattern", ["", "P", "{", "P{piece", "{price}", "{lot}{piece}", "{lot}/{lot}", "}{lot}"]
)
def test_a_pattern_that_could_mean_two_things_is_refused(pattern: str) -> None:
    """Each says what is wrong and what to write."""
    with pytest.raises(ValueRefused) as refused:
        compiled(pattern)
    assert refused.value.hint


def test_a_long_code_is_read_in_one_pass() -> None:
    """A code that nearly fits takes no longer than its length: no hole can end in two places."""
    assert read_code(("{lot}/{piece}/{operator}!",), "/" * 100_000) is None
    assert read_code(("A{lot}B{piece}C",), "AxB" * 50_000) is None


ASK = TriggerEntry(name="pedal", link="usb-6", does=Does.ASK, gauge="bore-1")
NEXT = TriggerEntry(name="pedal", link="usb-6", does=Does.NEXT_PIECE)
FINISH = TriggerEntry(name="pedal", link="usb-6", does=Does.FINISH, gauge="bore-1")
SWITCH = TriggerEntry(name="pedal", link="usb-6", does=Does.NEXT_CHARACTERISTIC, gauge="bore-1")


def test_a_foot_switch_asks_a_gauge() -> None:
    """The gauge is asked once the press is on its way to the disk, and the record says so."""
    decision = press(bench(ASK), ASK)
    assert decision.requests == ("bore-1",)
    assert [(r.kind, r.code, r.gauge, r.device) for r in decision.records] == [
        (Kind.TRIGGER, "ask", "bore-1", "pedal")
    ]


def test_a_bounce_is_one_press() -> None:
    """Within the debounce it is a suppressed double; after it a press of its own."""
    hand = bench(ASK)
    press(hand, ASK)
    bounced = press(hand, ASK, after_ms=299)
    assert (bounced.requests, [r.kind for r in bounced.records]) == ((), [Kind.SUPPRESSED])
    assert press(hand, ASK, after_ms=1).requests == ("bore-1",)


def test_a_code_on_a_triggers_link_is_a_press() -> None:
    """A foot switch that types a key is a foot switch."""
    hand = bench(ASK)
    assert hand.do(ev.Arrived("usb-6", Code("F13", b"F13\r\n"))).requests == ("bore-1",)


def test_the_next_piece() -> None:
    """Its last number goes one up; a name without a number is left alone, and that is said."""
    hand = bench(NEXT)
    press(hand, NEXT)
    assert hand.state.piece == "1"
    hand.do(ev.SetTags({"piece": "A-099"}))
    press(hand, NEXT)
    assert hand.state.piece == "A-100"
    hand.do(ev.SetTags({"piece": "sample"}))
    (refused,) = press(hand, NEXT).records
    assert (refused.kind, refused.code, hand.state.piece) == (Kind.TRIGGER, "refused", "sample")


@given(st.integers(0, 10**9), st.integers(1, 12))
def test_pieces_are_counted_without_losing_zeros(number: int, width: int) -> None:
    """007 is followed by 008, 999 by 1000."""
    name = f"{number:0{width}d}"
    following = next_piece(f"B{name}")
    assert int(following[1:]) == number + 1
    assert len(following) >= len(name) + 1


def test_the_next_characteristic_goes_round() -> None:
    """After the last one comes the first, in the station file's order; those of other gauges are left out."""
    hand = bench(SWITCH)
    of_others = {"D": replace(BORE, name="D", gauges=("bore-2",)), "C": replace(BORE, name="C")}
    hand.load(replace(hand.set_up, characteristics={**hand.set_up.characteristics, **of_others}))
    seen = []
    for _ in range(4):
        press(hand, SWITCH)
        seen.append(hand.show("38.010").characteristic)
    assert seen == ["A", "B", "C", "A"]


def test_the_next_characteristic_of_a_gauge_that_serves_none() -> None:
    """It is refused, with what to write into the station file."""
    hand = Hand(replace(with_triggers(SWITCH), characteristics={}))
    (refused,) = press(hand, SWITCH).records
    assert (refused.code, refused.gauge) == ("refused", "bore-1")
    assert "no characteristic is measured with bore-1" in (refused.text or "")


def test_a_press_says_what_it_did() -> None:
    """Each is recorded with its bytes and in words, whether it asked, stepped, was refused or bounced."""
    said = []
    for trigger in (ASK, NEXT, FINISH, SWITCH):
        record = press(bench(trigger), trigger).records[0]
        assert (record.kind, record.device, record.link, record.raw) == (
            Kind.TRIGGER, "pedal", "usb-6", b"\x01",
        )  # fmt: skip
        said.append((record.code, record.gauge, record.text))
    assert said == [
        ("ask", "bore-1", "bore-1 is asked for its value"),
        ("next-piece", None, "piece 1"),
        ("refused", "bore-1", "no mastering or check of bore-1 is going on; there is nothing to finish"),
        ("next-characteristic", "bore-1", "characteristic A"),
    ]
    hand = bench(ASK)
    press(hand, ASK)
    (bounced,) = press(hand, ASK, after_ms=0).records
    assert (bounced.kind, bounced.text) == (
        Kind.SUPPRESSED, "again 0 ms after the last time: one press, bounced",
    )  # fmt: skip
    assert (bounced.device, bounced.link, bounced.raw) == ("pedal", "usb-6", b"\x01")


def test_only_a_trigger_that_asks_asks() -> None:
    """To step or to finish sends nothing to the gauge that it is about."""
    hand = bench(FINISH)
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=5))
    hand.show("38.001")
    assert press(hand, FINISH).requests == ()
    assert press(bench(SWITCH), SWITCH).requests == ()


def test_a_press_after_a_start_of_the_computer_is_one_of_its_own() -> None:
    """When it was last pressed is told by a clock that began anew."""
    hand = bench(ASK)
    press(hand, ASK)
    hand.now = replace(
        hand.now, utc_ms=hand.now.utc_ms + 60_000, clock_ms=hand.now.clock_ms + 10, boot="boot-2"
    )
    hand.at_once(ev.Started("test"))
    assert press(hand, ASK, after_ms=0).requests == ("bore-1",)


def test_a_check_that_a_foot_switch_ended_doubts_all_before_it() -> None:
    """One that fails puts in doubt what was measured up to itself: nothing less, and not itself."""
    hand = bench(FINISH).ready()
    hand.show("38.010")
    reading = len(hand.records)
    hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1", readings=3))
    hand.show("38.014")
    records = press(hand, FINISH).records
    assert [record.kind for record in records] == [Kind.TRIGGER, Kind.CHECK, Kind.SUSPECT]
    check = next(at for at, each in enumerate(hand.records, 1) if each is records[1])
    assert (records[2].first, records[2].last) == (reading, check - 1)


def test_a_foot_switch_ends_a_mastering_with_what_was_read() -> None:
    """And is refused, visibly, where nothing is going on."""
    hand = bench(FINISH)
    assert [r.code for r in press(hand, FINISH).records] == ["refused"]
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=5))
    hand.show("38.001")
    hand.show("38.001")
    records = press(hand, FINISH).records
    assert [record.kind for record in records] == [Kind.TRIGGER, Kind.MASTERING]
    assert hand.state.gauges["bore-1"].mastered is not None


def test_a_number_from_a_scanner_is_no_measurement() -> None:
    """What no one there is expected to send is a bad frame with its bytes."""
    hand = bench()
    hand.do(ev.Arrived("usb-6", Code("38.010", b"38.010")))
    assert hand.records[-1].kind is Kind.BAD_FRAME
    with pytest.raises(CommandRefused):
        next_piece("no number")
    assert D("38.010") not in [record.value_mm for record in hand.records]
