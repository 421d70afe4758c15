"""What is in doubt enters no result, and what was made of it before is in doubt with it."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D

import pytest

from gaugepost.core.bench import State, events as ev
from gaugepost.core.bench.commands.doubting import doubtful
from gaugepost.core.bench.tracing.dependants import Asked, What
from gaugepost.core.bench.tracing.rejudging import to_rejudge
from gaugepost.core.bench.tracing.revision import Revision
from gaugepost.core.bench.tracing.tracing import trace
from gaugepost.core.record import DERIVATION, Kind
from gaugepost.core.setup import Combine, PlaceEntry
from tests.core.station import RING, Hand, set_up
from tests.core.trail import Trail

MEAN = {"combine": Combine.MEAN, "positions": ("a", "b", "c")}


def half_measured(derivation: int = DERIVATION) -> Hand:
    """Two of three places of a bore are measured; then the gauge fails its check, and is mastered anew."""
    hand = Hand(set_up({"debounce_ms": 0}, MEAN, lot_checks=False), State(derivation=derivation)).ready()
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1"}))
    hand.show("38.010")
    hand.show("38.011")
    assert hand.check("38.009").code == "failed"
    hand.master("38.009", "38.009")
    assert hand.check("38.009").code == "passed"
    return hand


def test_a_result_is_made_of_what_is_not_in_doubt() -> None:
    """A bore measured in part before a check that failed is measured again there: what was read then is not in it.

    It once was, and the result was accepted though two thirds of it were suspect.
    """
    hand = half_measured()
    begun = len(hand.records)
    for digits in ("38.020", "38.021", "38.022"):
        assert hand.last(Kind.CHECK) is hand.records[begun - 1]
        hand.show(digits)
    result = hand.last(Kind.RESULT)
    assert result.members == (begun + 1, begun + 2, begun + 3)
    assert result.decision == "accept"


def test_by_earlier_rules_it_was_made_of_all() -> None:
    """What was recorded then is derived again as it was."""
    hand = half_measured(derivation=4)
    hand.show("38.020")
    assert len(hand.last(Kind.RESULT).members or ()) == 3
    assert hand.last(Kind.SUSPECT).derivation is None


@pytest.mark.parametrize("rejudged", [False, True])
def test_what_a_person_doubts_waits_no_longer(rejudged: bool) -> None:
    """By its range, also where it was judged again meanwhile; what another gauge or time measured stays."""
    hand = Hand(set_up({"debounce_ms": 0}, MEAN, lot_checks=False)).ready()
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1"}))
    hand.show("38.010")
    first = len(hand.records)
    if rejudged:
        larger = Revision(masters={"ring-1": {"size": D("38.0022")}})
        made = trace(Trail(hand.records), Asked(What.MASTER, "ring-1"), larger, first)
        hand.do(ev.Rejudge(tuple(to_rejudge(made)), "calibrated anew", "M1"))
    hand.show("38.011")
    waiting = {at for at, record in enumerate(hand.records, 1) if record.value_mm is not None and at >= first}

    def members() -> set[int]:
        places = hand.state.groups["A"].places.values()
        return {each.sequence for taken in places for each in taken}

    assert members() == (waiting - {first} if rejudged else waiting)
    for gauge, at in (("bore-2", first), ("bore-1", first + 9)):
        hand.do(ev.Suspect("it fell", None, (ev.Doubtful(gauge, at, at, 1, None),), "M1"))
        assert len(members()) == 2
    hand.do(ev.Suspect("it fell", None, (ev.Doubtful("bore-1", first, first, 1, None),), "M1"))
    assert members() == {max(waiting)}


def test_a_form_is_made_of_what_is_not_in_doubt() -> None:
    """Places that have verdicts of their own wait for their form in the same way."""
    places = {name: PlaceEntry(depth_mm=D(at)) for at, name in ((2, "top"), (20, "low"))}
    bore = {"positions": tuple(places), "places": places}
    hand = Hand(set_up({"debounce_ms": 0}, bore, lot_checks=False)).ready()
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1"}))
    hand.show("38.010")
    hand.check("38.009")
    hand.check("38.004")
    hand.show("38.011")
    assert not [each for each in hand.records if each.kind is Kind.FORM]


def test_what_the_last_reading_completed_is_in_the_range() -> None:
    """Sheets and lists go by the range: a mark that ended with the reading left the result that was judged green."""
    hand = Hand(set_up({"debounce_ms": 0}, MEAN, lot_checks=False)).ready()
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1"}))
    first = len(hand.records) + 1
    for digits in ("38.010", "38.011", "38.012"):
        hand.show(digits)
    result = len(hand.records)
    assert hand.records[-1].kind is Kind.RESULT
    hand.show("38.020")
    trail = Trail(hand.records)
    found = trace(trail, Asked(What.MASTER, "ring-1"), Revision(), result)
    assert doubtful(trail, found) == (ev.Doubtful("bore-1", first, result, 3, "ring-1"),)


def test_a_result_and_a_form_that_were_completed_later_are_in_doubt_by_themselves() -> None:
    """Where what completed them did not depend on the ring, and the other half of them did."""
    places = {name: PlaceEntry(depth_mm=D(at)) for at, name in ((2, "top"), (20, "low"))}
    bore = {"positions": tuple(places), "places": places, "combine": Combine.LARGEST}
    rings = {"ring-1": RING, "ring-2": replace(RING, name="ring-2", serial="R-2")}
    hand = Hand(set_up({"debounce_ms": 0}, bore, lot_checks=False, masters=rings)).ready()
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1"}))
    hand.show("38.010")
    first = len(hand.records)
    hand.master("38.004", "38.004", ring="ring-2")
    hand.check("38.004", "ring-2")
    hand.show("38.011")
    result, form = len(hand.records) - 1, len(hand.records)
    assert [each.kind for each in hand.records[-2:]] == [Kind.RESULT, Kind.FORM]
    trail = Trail(hand.records)
    found = trace(trail, Asked(What.MASTER, "ring-1"), Revision(), form)
    assert doubtful(trail, found) == tuple(
        ev.Doubtful("bore-1", at, at, 1, "ring-1") for at in (first, result, form)
    )


def test_what_stands_for_a_doubted_reading_leaves_too_where_another_was_not_judged_again() -> None:
    """The one is known by its own number, the other by what it was judged again from."""
    hand = Hand(set_up({"debounce_ms": 0}, MEAN, lot_checks=False)).ready()
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1"}))
    hand.show("38.010")
    first = len(hand.records)
    larger = Revision(masters={"ring-1": {"size": D("38.0022")}})
    made = trace(Trail(hand.records), Asked(What.MASTER, "ring-1"), larger, first)
    hand.show("38.011")
    second = len(hand.records)
    hand.do(ev.Rejudge(tuple(to_rejudge(made)), "calibrated anew", "M1"))
    hand.do(ev.Suspect("it fell", None, (ev.Doubtful("bore-1", first, second, 2, None),), "M1"))
    assert not any(hand.state.groups["A"].places.values())


@pytest.mark.parametrize(("derivation", "named"), [(4, None), (DERIVATION, DERIVATION)])
def test_a_persons_doubt_says_by_which_rules_it_counts(derivation: int, named: int | None) -> None:
    """From derivation 5 on; by earlier ones it was said of none."""
    hand = Hand(set_up(), State(derivation=derivation)).ready()
    hand.show("38.010")
    at = len(hand.records)
    hand.do(ev.Suspect("it fell", None, (ev.Doubtful("bore-1", at, at, 1, None),), "M1"))
    assert hand.last(Kind.SUSPECT).derivation == named
