"""Voids, amendments, further attempts and early ends: nothing recorded changes, and each says who, when and why."""

from dataclasses import replace
from decimal import Decimal as D

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Combine, Display
from tests.core.station import RING, Hand, set_up


def measured(hand: Hand, digits: str = "38.010") -> tuple[int, Record]:
    """Measure piece 1 by operator M1; return where the reading stands and what it is."""
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1"}))
    reading = hand.show(digits)
    return hand.state.sequence, reading


def test_void_is_a_new_record() -> None:
    """A void names what it voids, with who and why, and can be said once."""
    hand = Hand(set_up()).ready()
    sequence, reading = measured(hand)
    reply = hand.do(ev.Void(sequence, reading, "wrong piece in the fixture")).reply
    assert reply.accepted
    void = hand.records[-1]
    assert (void.kind, void.replaces, void.operator) == (Kind.VOID, sequence, "M1")
    assert (void.text, void.piece, void.attempt) == ("wrong piece in the fixture", "1", 1)
    again = hand.do(ev.Void(sequence, reading, "once more")).reply
    assert not again.accepted
    assert f"was replaced by {hand.state.sequence} before" in again.text


@pytest.mark.parametrize("reason", ["", "  ", "x" * 501, "a\x07b"])
def test_void_takes_a_reason_and_a_person(reason: str) -> None:
    """Without a reason that can be read, or without anybody who says it, nothing is voided."""
    hand = Hand(set_up()).ready()
    reading = hand.show("38.010")
    assert "nobody said who" in hand.do(ev.Void(hand.state.sequence, reading, "a reason")).reply.text
    assert (
        "takes a reason" in hand.do(ev.Void(hand.state.sequence, reading, reason, operator="M1")).reply.text
    )


def test_only_measurements_are_voided() -> None:
    """A mastering or a check is not undone by saying so."""
    hand = Hand(set_up()).ready()
    check = hand.last(Kind.CHECK)
    reply = hand.do(ev.Void(hand.state.sequence, check, "dislike it", operator="M1")).reply
    assert "is a check, which can't be voided" in reply.text


def test_voided_member_takes_its_result_along() -> None:
    """A result made of a reading that is voided is void too, and the next reading completes nothing with it."""
    hand = Hand(set_up(characteristic={"readings": 2, "combine": Combine.MEAN})).ready()
    sequence, member = measured(hand)
    hand.show("38.012")
    result = hand.state.sequence
    assert [record.kind for record in hand.records[-2:]] == [Kind.READING, Kind.RESULT]
    hand.do(ev.Void(sequence, member, "dirt", results=(result,)))
    assert [(r.kind, r.replaces) for r in hand.records[-2:]] == [(Kind.VOID, sequence), (Kind.VOID, result)]
    member = hand.show("38.010")
    hand.do(ev.Void(hand.state.sequence, member, "dirt again"))
    before = len(hand.records)
    hand.show("38.014")
    assert len(hand.records) == before + 1, "a voided reading completed a result"
    hand.show("38.016")
    assert hand.records[-1].value_mm == D("38.0122")


def test_amendment_moves_a_reading_to_its_piece() -> None:
    """An amendment carries the value on under the right piece, as its next attempt, and names what it replaces."""
    hand = Hand(set_up()).ready()
    sequence, reading = measured(hand)
    hand.do(ev.SetTags({"piece": "2"}))
    hand.show("38.012")
    reply = hand.do(
        ev.Amend(sequence, reading, {"piece": "2"}, "wrong number called out", operator="M2")
    ).reply
    assert reply.accepted
    amended = hand.records[-1]
    assert (amended.kind, amended.piece, amended.attempt, amended.replaces) == (
        Kind.AMENDMENT,
        "2",
        2,
        sequence,
    )
    assert (amended.value_mm, amended.verdict, amended.raw) == (
        reading.value_mm,
        reading.verdict,
        reading.raw,
    )
    assert (amended.operator, amended.text) == ("M2", "wrong number called out")
    assert (
        "was replaced by"
        in hand.do(ev.Amend(sequence, reading, {"piece": "3"}, "again", operator="M2")).reply.text
    )
    assert hand.do(
        ev.Amend(hand.state.sequence, amended, {"piece": "3"}, "again", operator="M2")
    ).reply.accepted


@pytest.mark.parametrize("changes", [{}, {"piece": "1"}, {"value_mm": "38.000"}, {"position": "sideways"}])
def test_what_an_amendment_cannot_do(changes: dict[str, str | None]) -> None:
    """No value is amended, nothing is amended to what it is, and a place must be one of the drawing's."""
    hand = Hand(set_up(characteristic={"positions": ("top", "bottom")})).ready()
    sequence, reading = measured(hand)
    assert not hand.do(ev.Amend(sequence, reading, changes, "a reason", operator="M1")).reply.accepted


def test_another_attempt_has_its_reason() -> None:
    """The next reading is another attempt and says why; the one after that does not."""
    hand = Hand(set_up()).ready()
    measured(hand)
    assert hand.do(ev.Another("bore-1", "rework", "reamed")).reply.accepted
    assert [(r.attempt, r.text) for r in (hand.show("38.012"), hand.show("38.013"))] == [
        (2, "the piece was reworked: reamed"),
        (3, None),
    ]
    assert not hand.do(ev.Another("bore-1", "because")).reply.accepted
    hand.do(ev.SetTags({"piece": None}))
    assert "no piece is named" in hand.do(ev.Another("bore-1", "rework")).reply.text


def test_another_attempt_in_the_middle_of_repeats() -> None:
    """Repeats that are given up half way stay as an attempt of their own; the new ones start from the first."""
    hand = Hand(set_up(characteristic={"readings": 3})).ready()
    measured(hand)
    hand.show("38.011")
    hand.do(ev.Another("bore-1", "bad-seating"))
    assert [hand.show(d).attempt for d in ("38.012", "38.013", "38.014", "38.015")] == [2, 2, 2, 3]
    mean = Hand(set_up(characteristic={"readings": 2, "combine": Combine.MEAN})).ready()
    measured(mean)
    mean.do(ev.Another("bore-1", "bad-seating"))
    mean.show("38.020")
    mean.show("38.022")
    assert mean.records[-1].value_mm == D("38.0182")


def test_mastering_finished_early() -> None:
    """A mastering ends with the readings taken, where each master was read; not before, nor with a movement open."""
    hand = Hand(
        set_up({"mastering_readings": 5}, masters={"ring-1": RING, "ring-2": replace(RING, name="ring-2")})
    )
    assert not hand.do(ev.Finish("bore-1")).reply.accepted
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",)))
    assert "was not read yet" in hand.do(ev.Finish("bore-1")).reply.text
    hand.show("38.004")
    hand.show("38.005")
    assert hand.do(ev.Finish("bore-1")).reply.text == "mastering accepted"
    assert hand.last(Kind.MASTERING).master_indications_mm == (D("38.0045"),)
    comparator = Hand(set_up({"display": Display.FROM_MASTER}))
    comparator.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=1, movement="larger"))
    comparator.show("0.001")
    assert "movement is still to be read" in comparator.do(ev.Finish("bore-1")).reply.text


def test_cleared_characteristic() -> None:
    """Clearing the selection is recorded and holds, unlike leaving it alone."""
    hand = Hand(set_up()).ready()
    hand.do(ev.SetTags({"characteristic": "A"}))
    hand.do(ev.SetTags({"piece": "1"}))
    assert hand.state.gauges["bore-1"].characteristic == "A"
    hand.do(ev.SetTags({"characteristic": None}))
    assert hand.state.gauges["bore-1"].characteristic is None
