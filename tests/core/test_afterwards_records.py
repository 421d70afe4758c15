"""What is recorded of a void, an amendment and another attempt: every field, and what is told at once."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.record import Kind, Record
from tests.core.station import BORE, GAUGE, Hand, set_up

PLACES = {"positions": ("top", "bottom")}


def measured(hand: Hand) -> tuple[int, Record]:
    """Measure the top of piece 1 by operator M1; return where the reading stands and what it is."""
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1", "position": "top"}))
    reading = hand.show("38.010")
    return hand.state.sequence, reading


def test_a_void_is_filed_where_the_measurement_is() -> None:
    """Under its gauge, characteristic, place, lot, piece and attempt, by who says so now, at the set-up in force."""
    hand = Hand(set_up(characteristic=PLACES)).ready()
    sequence, reading = measured(hand)
    assert (reading.position, reading.attempt) == ("top", 1)
    decision = hand.do(ev.Void(sequence, reading, "wrong piece", operator="M2"))
    assert decision.reply.text == f"record {sequence} is void"
    assert decision.records == (
        Record(
            kind=Kind.VOID,
            measured_at=hand.now.utc_ms,
            clock_ms=hand.now.clock_ms,
            gauge="bore-1",
            characteristic="A",
            position="top",
            lot="L1",
            piece="1",
            attempt=1,
            operator="M2",
            text="wrong piece",
            replaces=sequence,
            set_up=hand.state.set_up_sequence,
        ),
    )


def test_what_was_made_of_it_is_void_with_it_unless_it_was_replaced_before() -> None:
    """Each is told; nothing is voided a second time."""
    hand = Hand(set_up()).ready()
    sequence, reading = measured(hand)
    hand.show("38.011")
    before = hand.state.sequence
    hand.do(ev.Void(before, hand.records[-1], "by hand"))
    state = hand.state
    decision = hand.do(ev.Void(sequence, reading, "dirt", results=(before, 90)))
    assert decision.reply.text == f"record {sequence} is void, and with it 90, made of it"
    hand.state = state  # or it would be void already
    decision = hand.do(ev.Void(sequence, reading, "dirt", results=(before, 90, 91)))
    assert [each.replaces for each in decision.records] == [sequence, 90, 91]
    assert decision.reply.text == f"record {sequence} is void, and with it 90, 91, made of it"
    assert all(each.text == "dirt" and each.piece == "1" for each in decision.records)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"lot": "L2"}, "lot L2"),
        ({"piece": None}, "no piece"),
        ({"lot": "L2", "piece": "9", "position": "bottom"}, "lot L2, piece 9, position bottom"),
        ({"lot": "L1", "piece": "9"}, "piece 9"),
    ],
)
def test_an_amendment_is_the_reading_with_its_place_put_right(changes: dict[str, Any], said: str) -> None:
    """All else stays, its numbers and the set-up they were made under; only what was wrong is told."""
    hand = Hand(set_up(characteristic=PLACES)).ready()
    sequence, reading = measured(hand)
    ended = replace(reading, ends_mastering=True, code="reading")
    hand.load(set_up(characteristic=PLACES, level=None, zone="Europe/Paris"))
    decision = hand.do(ev.Amend(sequence, ended, changes, "wrong tag", operator="M2"))
    assert decision.reply.text == f"record {sequence} now belongs to {said}"
    assert decision.records == (
        replace(
            reading,
            kind=Kind.AMENDMENT,
            measured_at=hand.now.utc_ms,
            clock_ms=hand.now.clock_ms,
            operator="M2",
            text="wrong tag",
            replaces=sequence,
            **changes,
            attempt=None if changes.get("piece", "1") is None else 1,
        ),
    )


def test_an_amended_reading_is_the_next_attempt_where_it_belongs() -> None:
    """Attempts are counted at its lot, piece and place, whatever is in hand now."""
    hand = Hand(set_up(characteristic=PLACES)).ready()
    sequence, reading = measured(hand)
    hand.do(ev.SetTags({"lot": "L2", "piece": "1", "position": "top"}))
    hand.show("38.011")
    hand.show("38.012")
    hand.do(ev.SetTags({"lot": "L2", "piece": "2", "position": "top"}))
    hand.show("38.013")
    for changes, attempt in (
        ({"lot": "L2"}, 3),
        ({"lot": "L2", "piece": "2"}, 2),
        ({"piece": "2"}, 1),
        ({"lot": "L2", "position": "bottom"}, 1),
    ):
        before = hand.state
        (made,) = hand.do(ev.Amend(sequence, reading, changes, "wrong tag")).records
        assert made.attempt == attempt
        hand.state = before  # or it would be amended already


def test_a_reading_of_nothing_on_the_drawing_can_be_amended_too() -> None:
    """Nobody selected what was measured: it has no places and no attempts, but a piece."""
    both = {"A": BORE, "B": replace(BORE, name="B")}
    hand = Hand(set_up(characteristics=both)).ready()
    sequence, reading = measured(hand)
    assert reading.characteristic is None
    (made,) = hand.do(ev.Amend(sequence, reading, {"piece": "2"}, "wrong tag")).records
    assert (made.piece, made.attempt, made.characteristic) == ("2", None, None)


def test_a_form_of_it_is_void_with_an_amendment_unless_it_was_replaced_before() -> None:
    """The form was that of the piece it no longer belongs to; why is said in the form's own void."""
    hand = Hand(set_up()).ready()
    sequence, reading = measured(hand)
    hand.show("38.011")
    before = hand.state.sequence
    hand.do(ev.Void(before, hand.records[-1], "by hand"))
    decision = hand.do(ev.Amend(sequence, reading, {"piece": "2"}, "wrong tag", forms=(90, before)))
    _, void = decision.records
    assert (void.kind, void.replaces, void.piece) == (Kind.VOID, 90, "1")
    assert void.text == f"record {sequence} was amended: wrong tag"


@pytest.mark.parametrize(("code", "accepted"), [("reading", True), ("result", False), ("form", False)])
def test_what_was_judged_again_is_amended_where_it_is_a_reading(code: str, accepted: bool) -> None:
    """A result is made of its members: those are amended, or all is measured again."""
    hand = Hand(set_up()).ready()
    sequence, reading = measured(hand)
    target = replace(reading, kind=Kind.REJUDGED, code=code)
    reply = hand.do(ev.Amend(sequence, target, {"piece": "2"}, "wrong tag")).reply
    assert reply.accepted is accepted
    if not accepted:
        assert reply.text == f"record {sequence} is a {code}, which can't be amended"


def test_a_member_of_a_result_is_not_amended() -> None:
    """The answer names the result, and what to do instead."""
    hand = Hand(set_up()).ready()
    sequence, reading = measured(hand)
    reply = hand.do(ev.Amend(sequence, reading, {"piece": "2"}, "wrong tag", results=(70, 71))).reply
    assert reply.text == f"record {sequence} is a member of result 70"
    assert reply.hint == "void it, then measure again"


@pytest.mark.parametrize(("length", "taken"), [(1, True), (500, True), (501, False)])
def test_a_reason_has_its_length(length: int, taken: bool) -> None:
    """Up to 500 characters."""
    hand = Hand(set_up()).ready()
    sequence, reading = measured(hand)
    assert hand.do(ev.Void(sequence, reading, "x" * length)).reply.accepted is taken


@pytest.mark.parametrize(
    ("note", "text"),
    [("", "the piece was reworked"), ("reamed", "the piece was reworked: reamed")],
)
def test_another_attempt_is_recorded_with_what_is_in_hand(note: str, text: str) -> None:
    """What is measured again, of which piece and where, by whom and why."""
    hand = Hand(set_up(characteristic=PLACES)).ready()
    measured(hand)
    hand.do(ev.SetTags({"position": "bottom"}))
    decision = hand.do(ev.Another("bore-1", "rework", note, operator="M2"))
    assert decision.reply.text == "measure A of piece 1 again"
    assert decision.records == (
        Record(
            kind=Kind.ATTEMPT,
            measured_at=hand.now.utc_ms,
            clock_ms=hand.now.clock_ms,
            gauge="bore-1",
            characteristic="A",
            position="bottom",
            lot="L1",
            piece="1",
            operator="M2",
            code="rework",
            text=text,
            set_up=hand.state.set_up_sequence,
        ),
    )


def test_another_attempt_needs_to_know_what_is_measured() -> None:
    """With two characteristics and none selected it says that first; an unknown gauge is named with those there are."""
    both = {"A": BORE, "B": replace(BORE, name="B")}
    hand = Hand(set_up(characteristics=both)).ready()
    measured(hand)
    assert hand.do(ev.Another("bore-1", "rework")).reply.text == "no characteristic is selected"
    hand.do(ev.SetTags({"characteristic": "B"}))
    hand.do(ev.SetTags({"piece": None}))
    assert hand.do(ev.Another("bore-1", "rework")).reply.text == "no piece is named"
    hand.do(ev.SetTags({"piece": "1"}))
    assert hand.do(ev.Another("bore-1", "rework")).reply.accepted
    reply = hand.do(ev.Another("bore-2", "rework")).reply
    assert (reply.text, reply.hint) == ("no gauge is named 'bore-2'", f"the gauges here: {GAUGE.name}")
