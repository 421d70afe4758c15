"""What was marked as suspect and counts after all: by a good check where one can show it, by a person's word else."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D

import pytest

from gaugepost.core.bench import Decision, State, apply, events as ev
from gaugepost.core.bench.commands.doubting import doubtful
from gaugepost.core.bench.commands.lifting import document, evidence, suspects
from gaugepost.core.bench.tracing.dependants import Asked, What
from gaugepost.core.bench.tracing.revision import Revision
from gaugepost.core.bench.tracing.tracing import trace
from gaugepost.core.record import Kind
from gaugepost.core.setup import SetUp
from tests.core.station import RING, Hand, set_up
from tests.core.trail import Trail

REASON = "chip between ring and contact: wiped, checked again"


def two_rings() -> SetUp:
    made = set_up()
    other = replace(RING, name="ring-2", serial="R-2")
    return replace(made, masters={**made.masters, "ring-2": other})


def suspicious(station: SetUp | None = None) -> tuple[Hand, int]:
    """A bench whose check failed after two readings; the sequence of the mark."""
    hand = Hand(station or set_up()).ready()
    hand.check("38.004")
    hand.do(ev.SetTags({"operator": "M1", "piece": "1"}))
    hand.show("38.015")
    hand.show("38.016")
    assert hand.check("38.009").code == "failed"
    return hand, len(hand.records)


def lifted(hand: Hand, sequence: int, reason: str = REASON, operator: str | None = "Q1") -> Decision:
    trail = Trail(hand.records)
    entry = trail.entries[sequence - 1]
    check, wanted = evidence(trail, entry, len(hand.records))
    return hand.do(ev.Lift(sequence, entry.record, reason, check, wanted, operator))


def test_the_same_ring_wiped_and_measured_again_lifts_it() -> None:
    """A record beside the mark says who, why and by which check; both stay, and the journal leads to the same state."""
    hand, mark = suspicious()
    before = [*hand.records]
    hand.check("38.004")
    good = len(hand.records)
    made = lifted(hand, mark)
    assert made.reply.accepted
    assert made.reply.text == f"2 readings are no longer suspect, by check {good}"
    (record,) = made.records
    assert (record.kind, record.replaces, record.members) == (Kind.LIFTED, mark, (good,))
    assert (record.operator, record.text, record.count) == ("Q1", REASON, 2)
    assert hand.records[: len(before)] == before
    state = State()
    for each in hand.records:
        state = apply(state, each)
    assert state == hand.state
    assert state.replaced.get(mark) == len(hand.records)


def test_without_a_good_check_it_stays() -> None:
    """A failed check is not talked away: the answer says which check it takes."""
    hand, mark = suspicious()
    made = lifted(hand, mark)
    assert (made.records, made.reply.accepted) == ((), False)
    assert "on ring-1, after it and before the gauge was mastered anew" in made.reply.text
    hand.check("38.010")
    assert not lifted(hand, mark).reply.accepted


def test_another_ring_and_another_mastering_show_nothing() -> None:
    """That another ring fits does not clear the first one; a gauge mastered anew says nothing of what it measured."""
    hand, mark = suspicious(two_rings())
    hand.check("38.004", "ring-2")
    assert not lifted(hand, mark).reply.accepted
    hand.ready()
    hand.check("38.004")
    assert not lifted(hand, mark).reply.accepted
    other, mark = suspicious()
    other.check("38.004")
    good = len(other.records)
    other.ready()
    assert lifted(other, mark).records[0].members == (good,), "what was shown before stays shown"


def test_a_doubt_in_the_gauge_takes_a_good_check_too() -> None:
    """Who doubted the gauge looks at it first; any ring will do, since none was in doubt."""
    hand = Hand(two_rings()).ready()
    hand.check("38.004")
    hand.show("38.015")
    hand.do(ev.Suspect("it fell", "bore-1", (), "M1"))
    mark = len(hand.records)
    assert not lifted(hand, mark).reply.accepted
    hand.check("38.004", "ring-2")
    assert lifted(hand, mark).records[0].members == (len(hand.records) - 1,)


def test_a_doubt_in_a_ring_takes_a_persons_word() -> None:
    """No check of the gauge shows that a ring is good: its new certificate does, and who read it says so."""
    hand = Hand(set_up()).ready()
    hand.check("38.004")
    hand.show("38.015")
    asked = Asked(What.MASTER, "ring-1")

    def found() -> tuple[ev.Doubtful, ...]:
        trail = Trail(hand.records)
        return doubtful(trail, trace(trail, asked, Revision(), len(hand.records)))

    hand.do(ev.Suspect("it was dropped", None, found(), "Q1"))
    mark = len(hand.records)
    assert hand.records[-1].master == "ring-1"
    assert found() == (), "what is marked is not marked twice"
    (record,) = lifted(hand, mark, "calibrated anew, R-0311: as before").records
    assert (record.master, record.members) == ("ring-1", None)
    assert len(found()) == 1, "what was lifted can be doubted again"


@pytest.mark.parametrize(("reason", "operator", "said"), [("", "Q1", "reason"), (REASON, None, "nobody")])
def test_nobody_lifts_it_silently(reason: str, operator: str | None, said: str) -> None:
    """It takes a reason and a name."""
    hand = Hand(set_up()).ready()
    hand.check("38.004")
    hand.show("38.015")
    hand.check("38.009")
    mark = len(hand.records)
    hand.check("38.004")
    made = lifted(hand, mark, reason, operator)
    assert not made.reply.accepted
    assert said in made.reply.text


def test_it_is_lifted_once_and_nothing_else_is() -> None:
    """A second time says who was first; a record that marks nothing is none to lift."""
    hand, mark = suspicious()
    hand.check("38.004")
    assert lifted(hand, mark).reply.accepted
    assert f"record {len(hand.records)}" in lifted(hand, mark).reply.text
    made = lifted(hand, mark - 1)
    assert "is a check, which puts nothing in doubt" in made.reply.text


def test_the_list_tells_what_is_open_from_what_was_lifted() -> None:
    """Each mark with its reason, and who lifted it, why and by which check."""
    hand, mark = suspicious()
    hand.check("38.004")
    good = len(hand.records)
    hand.show("38.017")
    hand.check("38.010")
    lifted(hand, mark)
    epoch = "0" * 36
    first, second = (document(*each, epoch) for each in suspects(Trail(hand.records), len(hand.records)))
    assert (first["sequence"], first["open"], first["count"]) == (mark, False, 2)
    assert first["lifted"] is not None
    assert (first["lifted"]["by"], first["lifted"]["reason"]) == ("Q1", REASON)
    assert first["lifted"]["check"] == f"{epoch}-{good}"
    assert (second["open"], second["lifted"], second["count"]) == (True, None, 1)


def test_a_mastering_far_from_the_last_takes_a_persons_word() -> None:
    """Nothing can be checked any more under a mastering that is over: who knows why it jumped says so."""
    hand = Hand(set_up({"jump_limit_mm": D("0.005")})).ready()
    hand.check("38.004")
    hand.show("38.015")
    assert hand.master("38.010", "38.010").code == "accepted"
    mark = len(hand.records)
    assert hand.records[-1].kind is Kind.SUSPECT
    (record,) = lifted(hand, mark, "new contacts were fitted after the last piece, and not reported").records
    assert (record.replaces, record.members) == (mark, None)
