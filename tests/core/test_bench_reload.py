"""A station file that is read again while the bench is at work."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import Decision, State, apply, events as ev
from gaugepost.core.bench.apply import SET_UP_EDITED
from gaugepost.core.record import Kind
from gaugepost.core.setup import Combine, MasterEntry, SetUp, to_document
from tests.core.station import BORE, GAUGE, RING, Hand, set_up

OTHER_RING = MasterEntry(name="ring-2", size_mm=D("38.0102"), serial="R-2", coefficient=RING.coefficient)
OTHER_BORE = replace(BORE, name="B", upper_mm=D("38.030"))


def reload(hand: Hand, new: SetUp, *changes: str, **more: Any) -> Decision:
    return hand.do(ev.Reload(to_document(new), changes, **more))


def test_what_was_added_can_be_used_and_a_mastering_counts_on() -> None:
    """A characteristic and a ring that come while the bench is at work take nothing from what was mastered."""
    hand = Hand(set_up()).ready()
    new = set_up(masters={"ring-1": RING, "ring-2": OTHER_RING}, characteristics={"A": BORE, "B": OTHER_BORE})
    decision = reload(hand, new, "characteristics B added", operator="M2", reason="new drawing")
    assert decision.reply.accepted
    assert decision.reply.text == "characteristics B added"
    record = hand.last(Kind.SET_UP)
    assert (record.operator, record.text) == ("M2", "characteristics B added: new drawing")
    hand.do(ev.SetTags({"characteristic": "B"}))
    reading = hand.show("38.010")
    assert reading.characteristic == "B"
    assert reading.verdict == "in-limits"


def test_an_edited_gauge_is_to_be_checked() -> None:
    """Its entry decides what its frames become, so its mastering waits for a check, as after a start."""
    hand = Hand(set_up()).ready()
    assert not hand.state.gauges["bore-1"].due
    assert reload(hand, set_up({"valid_count": 7})).reply.accepted
    assert hand.state.gauges["bore-1"].due == (SET_UP_EDITED,)


def test_a_mastering_goes_on_through_a_reload_that_does_not_touch_it() -> None:
    """One reading before, one after: the mastering comes out of both."""
    hand = Hand(set_up())
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=2))
    hand.show("38.004")
    assert reload(hand, set_up(characteristic={"upper_mm": D("38.030")})).reply.accepted
    hand.show("38.004")
    assert hand.last(Kind.MASTERING).members is not None
    assert len(hand.last(Kind.MASTERING).members or ()) == 2


@pytest.mark.parametrize(
    "new",
    [
        set_up({"valid_count": 7}),
        set_up(masters={"ring-1": replace(RING, size_mm=D("38.0013"))}),
        set_up(masters={"ring-2": OTHER_RING}),
        set_up(gauges={"bore-2": replace(GAUGE, name="bore-2")}, characteristics={}),
    ],
    ids=["gauge edited", "ring edited", "ring gone", "gauge gone"],
)
def test_a_mastering_that_would_lose_its_ground_refuses_the_reload(new: SetUp) -> None:
    """Nothing is changed, and the answer says what to end first; once it is ended the same file is taken."""
    hand = Hand(set_up())
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=2))
    hand.show("38.004")
    before = hand.state
    refused = reload(hand, new)
    assert not refused.reply.accepted
    assert "mastering of bore-1" in refused.reply.text
    assert "abandon" in refused.reply.hint
    assert hand.state == before
    hand.do(ev.Abandon("bore-1", ""))
    assert reload(hand, new).reply.accepted


def test_readings_of_a_piece_are_combined_across_a_reload() -> None:
    """Half of a piece is measured before, half after: its result is made of all of it, unless its entry was edited."""
    of_two = {"readings": 2, "combine": Combine.MEAN}
    for edit, results in (({"masters": {"ring-1": RING, "ring-2": OTHER_RING}}, 1), ({}, 0)):
        hand = Hand(set_up(characteristic=of_two)).ready()
        hand.do(ev.SetTags({"lot": "L", "piece": "1"}))
        hand.show("38.010")
        edited = of_two if edit else of_two | {"upper_mm": D("38.030")}
        assert reload(hand, set_up(characteristic=edited, **edit)).reply.accepted
        hand.show("38.012")
        assert sum(record.kind is Kind.RESULT for record in hand.records) == results


def test_the_same_file_again_is_no_record() -> None:
    """Nothing was changed, so nothing is written; what changed outside the set-up is."""
    hand = Hand(set_up())
    count = len(hand.records)
    assert reload(hand, set_up()).reply.text == "nothing was changed"
    assert len(hand.records) == count
    reload(hand, set_up(), "destinations broker added")
    assert hand.last(Kind.SET_UP).text == "destinations broker added"


def test_the_journal_leads_to_the_same_state() -> None:
    """Replayed from its records alone, the bench stands where it stood, what went on included."""
    hand = Hand(set_up(characteristic={"readings": 2, "combine": Combine.MEAN})).ready()
    hand.show("38.010")
    hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1", readings=2))
    hand.show("38.004")
    reload(hand, set_up(masters={"ring-1": RING, "ring-2": OTHER_RING}))
    state = State()
    for record in hand.records:
        state = apply(state, record)
    assert state == hand.state
    assert state.gauges["bore-1"].procedure is not None
