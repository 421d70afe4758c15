"""The budget of what was measured long ago: that of its day, under whatever mastering and station file came since."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace
from decimal import Decimal as D

import pytest
from hypothesis import given, settings

from gaugepost.core.bench import State, events as ev
from gaugepost.core.bench.budgeting import Unstated, fields_of
from gaugepost.core.bench.tracing.dependants import Asked, What
from gaugepost.core.bench.tracing.deriving import GONE, NOT_ASKED, budget_then
from gaugepost.core.bench.tracing.rejudging import to_rejudge
from gaugepost.core.bench.tracing.revision import Revision
from gaugepost.core.bench.tracing.tracing import trace
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.core.setup import Combine
from gaugepost.core.uncertainty import Budget
from tests.core.station import Hand
from tests.core.test_trace_reliving import STEPS, live, station
from tests.core.trail import Trail

STEADY = [("show", "38.0030"), ("show", "38.0041"), ("show", "38.0270")]
SMALLER = Revision(masters={"ring-1": {"size": D("37.9982")}})


def judge_again(hand: Hand, revision: Revision) -> Record:
    """Have judged again what depends on ring-1; return the last record of it."""
    made = trace(Trail(hand.records), Asked(What.MASTER, "ring-1"), revision, len(hand.records))
    assert hand.do(ev.Rejudge(tuple(to_rejudge(made)), "calibrated anew", "Q1")).reply.accepted
    return hand.last(Kind.REJUDGED)


def then(hand: Hand, sequence: int) -> Budget | Unstated | None:
    """Ask for the budget of a record."""
    return budget_then(Trail(hand.records), Entry(sequence, b"", hand.records[sequence - 1]))


def said(record: Record) -> dict[str, object]:
    """Return what a record says of its uncertainty."""
    names = ("uncertainty_mm", "coverage_factor", "standard_uncertainty_mm", "degrees_of_freedom")
    if record.uncertainty_mm is None:
        return {"uncertainty_reasons": record.uncertainty_reasons}
    return {name: getattr(record, name) for name in names}


@given(steps=STEPS)
@settings(max_examples=40, deadline=None)
def test_it_comes_to_what_was_recorded(steps: list[tuple[str, str]]) -> None:
    """Whatever was mastered, checked or warmed since, a reading's budget comes to the uncertainty on its record."""
    hand = live(station(), [*steps, ("show", "38.0100"), ("master", "38.0052"), ("show", "38.0100")])
    readings = [at for at, record in enumerate(hand.records, 1) if record.kind is Kind.READING]
    assert len(readings) > 1
    for at in readings:
        made = then(hand, at)
        assert made is not None
        assert dict(fields_of(made)) == said(hand.records[at - 1])


def test_each_has_that_of_its_own_mastering() -> None:
    """Between two readings of the same size the gauge was mastered on another ring: each names its own."""
    hand = live(station(), [("show", "38.0100")])
    hand.master("38.0015", "38.0017", ring="ring-2")
    hand.check("38.0016", "ring-2")
    hand.show("38.0100")
    first, second = (at for at, record in enumerate(hand.records, 1) if record.kind is Kind.READING)
    for at, ring in ((first, "ring-1"), (second, "ring-2")):
        made = then(hand, at)
        assert isinstance(made, Budget)
        names = [each.quantity for each in made.components if each.quantity.startswith("size of ")]
        assert names == [f"size of {ring}"]


def test_amended_or_judged_again_it_has_its_readings() -> None:
    """An amendment has the budget of its reading; what was judged again has it under what was corrected."""
    hand = live(station(), STEADY)
    at = next(at for at, record in enumerate(hand.records, 1) if record.kind is Kind.READING)
    hand.do(ev.Amend(at, hand.records[at - 1], {"lot": "L2"}, "the wrong lot"))
    assert hand.records[-1].kind is Kind.AMENDMENT
    plain = then(hand, at)
    assert isinstance(plain, Budget)
    assert then(hand, len(hand.records)) == plain
    again = judge_again(hand, SMALLER)
    made = then(hand, len(hand.records))
    assert isinstance(made, Budget)
    assert dict(fields_of(made)) == said(again)


@pytest.mark.parametrize("combine", [each for each in Combine if each is not Combine.EACH])
@pytest.mark.parametrize("derivation", [2, 3, 4])
def test_a_result_has_that_of_its_day(combine: Combine, derivation: int) -> None:
    """It comes to the uncertainty on its record, whatever was mastered since, or to the reasons why none is stated."""
    steps = [*STEADY[:2], ("master", "38.0052"), *STEADY[:2]]
    hand = live(station(combine), steps, derivation=derivation)
    at = next(at for at, record in enumerate(hand.records, 1) if record.kind is Kind.RESULT)
    made = then(hand, at)
    assert made is not None
    assert dict(fields_of(made)) == said(hand.records[at - 1])


def test_a_result_judged_again_has_it_under_what_was_corrected() -> None:
    """With the ring's uncertainty corrected it is larger than that of its day, which the result itself keeps."""
    hand = live(station(Combine.MEAN), STEADY[:2])
    at = hand.records.index(hand.last(Kind.RESULT)) + 1
    before = then(hand, at)
    wider = SMALLER.and_then(Revision(masters={"ring-1": {"uncertainty": D("0.004")}}))
    judge_again(hand, wider)
    (again,) = (r for r in hand.records if r.kind is Kind.REJUDGED and r.members and r.value_mm is not None)
    made = then(hand, hand.records.index(again) + 1)
    assert isinstance(before, Budget)
    assert isinstance(made, Budget)
    assert dict(fields_of(made)) == said(again)
    assert made.expanded_mm > before.expanded_mm
    assert then(hand, at) == before


def test_a_result_of_amended_readings_has_theirs() -> None:
    """Its members are what stood then: amendments, whose budgets are those of their readings."""
    hand = live(station(Combine.MEAN), STEADY[:1])
    first = hand.records.index(hand.last(Kind.READING)) + 1
    hand.do(ev.Amend(first, hand.records[first - 1], {"operator": "Q2"}, "another hand"))
    hand.show("38.0041")
    result = hand.last(Kind.RESULT)
    made = then(hand, hand.records.index(result) + 1)
    assert made is not None
    assert dict(fields_of(made)) == said(result)


def test_a_result_of_a_reading_judged_again_while_it_waited_has_its_own() -> None:
    """One of its members is a record of what was judged again: what it began as is looked up."""
    hand = live(station(Combine.MEAN), STEADY[:1])
    judge_again(hand, SMALLER)
    hand.show("38.0041")
    result = hand.last(Kind.RESULT)
    assert hand.records[(result.members or ())[0] - 1].kind is Kind.REJUDGED
    made = then(hand, hand.records.index(result) + 1)
    assert made is not None
    assert dict(fields_of(made)) == said(result)


def test_a_form_has_none() -> None:
    """Its figures have uncertainties of their own, and no one budget."""
    hand = live(station(Combine.MEAN), STEADY[:2])
    assert then(hand, hand.records.index(hand.last(Kind.FORM)) + 1) is None


def test_what_is_no_reading_has_none() -> None:
    """A check or a tag has no budget here, nor has a reading of no characteristic."""
    hand = live(station(), [("show", "38.0100")])
    for at, record in enumerate(hand.records, 1):
        assert (then(hand, at) is None) == (record.kind is not Kind.READING)
    bare = next(record for record in hand.records if record.kind is Kind.READING)
    without = Trail(hand.records)
    at = hand.records.index(bare) + 1
    without.entries[at - 1] = Entry(at, b"", replace(bare, characteristic=None))
    assert budget_then(without, without.entries[at - 1]) is None


def test_why_there_is_none() -> None:
    """Before anything was mastered none was stated; where its mastering is missing it can't be made again."""
    old = live(station(), [("show", "38.0100")], derivation=1)
    at = next(at for at, record in enumerate(old.records, 1) if record.kind is Kind.READING)
    assert then(old, at) == NOT_ASKED
    early = Hand(station(), State())
    early.show("38.0100")
    assert then(early, len(early.records)) == NOT_ASKED
    hand = live(station(), [("show", "38.0100")])

    class Torn(Trail):
        def of_kinds(
            self, kinds: Collection[Kind], gauges: Collection[str] | None, after: int, through: int
        ) -> Iterator[Entry]:
            found = super().of_kinds(kinds, gauges, after, through)
            return (entry for entry in found if entry.record.kind is not Kind.MASTERING_BEGUN)

    torn = Torn(hand.records)
    at = next(at for at, record in enumerate(hand.records, 1) if record.kind is Kind.READING)
    assert budget_then(torn, torn.entries[at - 1]) == GONE


def test_the_right_size_counts_where_it_was_judged_again() -> None:
    """The budget of what was judged again is not that of the reading before: the ring's uncertainty was corrected."""
    hand = live(station(), STEADY)
    at = next(at for at, record in enumerate(hand.records, 1) if record.kind is Kind.READING)
    before = then(hand, at)
    wider = SMALLER.and_then(Revision(masters={"ring-1": {"uncertainty": D("0.004")}}))
    judge_again(hand, wider)
    made = then(hand, len(hand.records))
    assert isinstance(before, Budget)
    assert isinstance(made, Budget)
    assert made.expanded_mm > before.expanded_mm
