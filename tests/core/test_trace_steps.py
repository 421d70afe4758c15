"""What the bench knows after a reading was judged again: what stands for it, also among those that wait."""

from dataclasses import replace
from decimal import Decimal as D

from gaugepost.core.bench import apply
from gaugepost.core.bench.state import Sourced, State
from gaugepost.core.conformity import Verdict
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Combine
from tests.core.station import AIR, Hand, set_up


def waiting() -> Hand:
    """Measure two of three readings that are combined."""
    hand = Hand(
        set_up({"debounce_ms": 0}, {"combine": Combine.MEAN, "readings": 3}, thermometers={"air": AIR})
    )
    hand.warm("21.0")
    hand.ready()
    hand.show("38.010")
    hand.show("38.012")
    return hand


def after(hand: Hand, **again: object) -> tuple[State, int]:
    """Judge the first of them again; return the state, and the sequence of the reading."""
    at = len(hand.records) - 1
    made = replace(hand.records[at - 1], kind=Kind.REJUDGED, replaces=at, **again)  # type: ignore[arg-type]
    return apply(hand.state, made), at


def test_what_waits_is_what_it_was_judged_again_to_be() -> None:
    """Its value, its temperatures and its number are the new record's, in its old place; the others stay."""
    hand = waiting()
    (taken,) = hand.state.groups["A"].places.values()
    state, at = after(
        hand, value_mm=D("38.0044"), part_temperature_c=D("21.5"), gauge_temperature_c=D("21.7")
    )
    (renewed,) = state.groups["A"].places.values()
    first = replace(
        taken[0],
        sequence=state.sequence,
        value_mm=D("38.0044"),
        part=Sourced(D("21.5"), "assumed"),
        gauge_at=Sourced(D("21.7"), "assumed"),
    )
    assert renewed == (first, taken[1])
    assert state.groups["A"].piece == hand.state.groups["A"].piece
    assert (at in state.replaced, state.replaced.standing(at)) == (True, state.sequence)


def test_what_can_t_be_judged_any_more_waits_no_longer() -> None:
    """A reading whose value is out of its gauge's range by now is in doubt: the others wait for another."""
    hand = waiting()
    (taken,) = hand.state.groups["A"].places.values()
    state, at = after(hand, verdict=Verdict.NOT_JUDGED, reasons=("the size is outside the gauge's range",))
    assert [*state.groups["A"].places.values()] == [taken[1:]]
    assert at in state.replaced


def test_what_waits_for_nothing_is_replaced_all_the_same() -> None:
    """A record of no characteristic, of one that nothing waits for, or of no member leaves every group alone."""
    hand = waiting()
    for changed in ({"characteristic": None}, {"characteristic": "B"}):
        state, at = after(hand, **changed)
        assert (state.groups, at in state.replaced) == (hand.state.groups, True)
    earlier: Record = replace(hand.last(Kind.READING), kind=Kind.REJUDGED, replaces=3)
    state = apply(hand.state, earlier)
    assert (state.groups, 3 in state.replaced) == (hand.state.groups, True)
