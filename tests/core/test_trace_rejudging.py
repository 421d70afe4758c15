"""What was judged again: recorded beside what it replaces, derived again, voided and amended like any other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal as D

import pytest
from hypothesis import given, settings, strategies as st

from gaugepost.commands.trace.table import lines
from gaugepost.core.bench import State, apply, events as ev
from gaugepost.core.bench.derive import Difference
from gaugepost.core.bench.tracing.dependants import Asked, What
from gaugepost.core.bench.tracing.deriving import rederived
from gaugepost.core.bench.tracing.document import COLUMNS, row_document
from gaugepost.core.bench.tracing.rejudging import to_rejudge
from gaugepost.core.bench.tracing.revision import Revision
from gaugepost.core.bench.tracing.tracing import Trace, trace
from gaugepost.core.mastering import mean
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Combine
from tests.core.station import Hand
from tests.core.test_trace_lived import Later
from tests.core.test_trace_reliving import STEPS, live, station
from tests.core.trail import Trail

RING = Asked(What.MASTER, "ring-1")
SMALLER = Revision(masters={"ring-1": {"size": D("37.9982")}})
STEADY = [
    ("show", "38.0030"),
    ("show", "38.0041"),
    ("show", "38.0200"),
    ("show", "38.0270"),
    ("show", "38.0100"),
]


def traced(hand: Hand, asked: Asked = RING, revision: Revision = SMALLER) -> Trace:
    """Trace at the bench as it is."""
    return trace(Trail(hand.records), asked, revision, len(hand.records))


def recorded(hand: Hand, asked: Asked = RING, revision: Revision = SMALLER) -> list[Record]:
    """Have all that comes out otherwise judged again, and return the records of it."""
    again = tuple(to_rejudge(traced(hand, asked, revision)))
    decision = hand.do(ev.Rejudge(again, "calibrated anew", "Q1"))
    made = [record for record in decision.records if record.kind is Kind.REJUDGED]
    assert (decision.reply.accepted, decision.reply.text) == (True, f"{len(made)} judged again")
    return made


def derived(records: Sequence[Record]) -> list[Difference | int | None]:
    """Make every record of what was judged again once more."""
    return list(rederived(Trail(records), len(records)))


def sound(hand: Hand) -> bool:
    """Whether all that was judged again comes out the same, and the journal leads to the state that was lived."""
    state = State()
    for record in hand.records:
        state = apply(state, record)
    rejudged = [at for at, record in enumerate(hand.records, 1) if record.kind is Kind.REJUDGED]
    return state == hand.state and sorted(derived(hand.records), key=str) == sorted(rejudged, key=str)


def test_each_measurement_gets_one_record_beside_it() -> None:
    """Nothing is rewritten: a new record for each says who, when, why, what was corrected, and all the new numbers."""
    hand = live(station(), STEADY)
    before = list(hand.records)
    made = recorded(hand)
    assert hand.records[: len(before)] == before
    readings = [at for at, record in enumerate(before, 1) if record.kind is Kind.READING]
    assert [record.replaces for record in made] == readings
    first = made[0]
    old = before[readings[0] - 1]
    assert (first.operator, first.text, first.code) == ("Q1", "calibrated anew", "reading")
    assert (first.measured_at, first.clock_ms) == (hand.now.utc_ms, hand.now.clock_ms)
    assert first.measured_at > old.measured_at
    assert first.corrected == ("masters.ring-1.size = 37.9982 mm",)
    assert first.value_mm is not None and old.value_mm is not None
    # D20 = s·(1 + αg·(Tg - 20))/(1 + αp·(Tp - 20)) moves with the ring, all but for the parts' own growth
    assert abs(first.value_mm - old.value_mm + D("0.003")) < D("0.0000005")
    assert (first.raw, first.indication, first.lot, first.piece) == (
        old.raw,
        old.indication,
        old.lot,
        old.piece,
    )
    assert sound(hand)


def test_twice_adds_nothing() -> None:
    """The same correction once more finds nothing that comes out otherwise."""
    hand = live(station(Combine.MEAN), STEADY)
    assert recorded(hand)
    assert recorded(hand) == []
    assert all(not row.changes for row in traced(hand).rows)


def test_results_follow_their_members() -> None:
    """A result of several is judged again after its members and names them as they stand now; so is a form."""
    hand = live(station(Combine.MEAN), STEADY)
    made = recorded(hand)
    assert [record.code for record in made] == ["reading"] * 5 + ["result", "form"] * 2
    first = len(hand.records) - len(made) + 1
    assert [record.members for record in made[5:]] == [(first, first + 1)] * 2 + [(first + 2, first + 3)] * 2
    assert made[5].value_mm == mean(tuple(record.value_mm or D(0) for record in made[:2]))
    assert sound(hand)


def test_a_reading_that_waits_for_others_waits_as_it_is_judged_now() -> None:
    """A result completed after its first member was judged again is made of the new value and names the new record."""
    hand = live(station(Combine.MEAN), STEADY)
    made = recorded(hand)
    hand.show("38.0102")
    result = hand.last(Kind.RESULT)
    waiting = next(at for at, record in enumerate(hand.records, 1) if record is made[4])
    assert result.members is not None and waiting in result.members
    last = hand.last(Kind.READING)
    assert made[4].value_mm is not None and last.value_mm is not None
    assert result.value_mm == mean((made[4].value_mm, last.value_mm))
    assert len(recorded(hand)) == 3  # the last reading, the result and the form, which it completed
    assert sound(hand)


def test_it_can_be_voided_and_amended() -> None:
    """What was judged again stands: it is what a void or an amendment names, and what was replaced can't be named."""
    hand = live(station(), STEADY)
    made = recorded(hand)
    at = hand.records.index(made[0]) + 1
    old = made[0].replaces or 0
    refused = hand.do(ev.Void(old, hand.records[old - 1], "chip", operator="M1"))
    assert (refused.reply.accepted, refused.reply.hint) == (False, f"name record {at}, if it stands")
    assert hand.do(ev.Void(at, made[0], "chip", operator="M1")).reply.accepted
    second = at + 1
    moved = hand.do(ev.Amend(second, made[1], {"piece": "2"}, "called out wrong", operator="M1")).records[0]
    assert (moved.kind, moved.piece, moved.value_mm) == (Kind.AMENDMENT, "2", made[1].value_mm)
    assert moved.corrected == made[1].corrected
    rows = traced(hand, revision=Revision()).rows
    assert len(rows) == 4
    assert [row.stands.record.kind for row in rows].count(Kind.AMENDMENT) == 1
    assert all(not row.changes for row in rows)
    again = recorded(hand, revision=Revision(masters={"ring-1": {"size": D("37.9990")}}))
    assert [record.piece for record in again][:1] == ["2"]
    assert sound(hand)


def test_results_are_not_amended() -> None:
    """A result that was judged again is refused an amendment, with what to do."""
    hand = live(station(Combine.MEAN), STEADY)
    result = next(record for record in recorded(hand) if record.code == "result")
    at = hand.records.index(result) + 1
    refused = hand.do(ev.Amend(at, result, {"piece": "2"}, "which", operator="M1"))
    assert not refused.reply.accepted
    assert "result" in refused.reply.text


@pytest.mark.parametrize("field", ["value_mm", "verdict", "uncertainty_mm", "members", "lot", "replaces"])
def test_what_was_made_otherwise_is_found(field: str) -> None:
    """A number, a member or a tag of what was judged again that does not come out of the journal is named."""
    hand = live(station(Combine.MEAN), STEADY)
    recorded(hand)
    at = next(at for at, record in enumerate(hand.records) if record.code == "result")
    wrong = {
        "value_mm": D("38.01"), "verdict": "oversize", "uncertainty_mm": D("0.001"), "members": (3, 4),
        "lot": "L9", "replaces": 1,
    }  # fmt: skip
    hand.records[at] = replace(hand.records[at], **{field: wrong[field]})  # type: ignore[arg-type]
    found = [each for each in derived(hand.records) if isinstance(each, Difference)]
    assert [each.sequence for each in found] == [at + 1]
    assert field == "replaces" or field in found[0].fields


def test_what_nobody_can_read_is_found() -> None:
    """A correction in words that mean nothing is a finding, not a crash."""
    hand = live(station(), STEADY)
    recorded(hand)
    hand.records[-1] = replace(hand.records[-1], corrected=("rings.x.size = big",))
    assert next(each for each in derived(hand.records) if isinstance(each, Difference)).finding


def test_what_was_voided_meanwhile_is_left_out() -> None:
    """Between the trace and the record somebody voided a reading: it is left out, and the reply says so."""
    hand = live(station(), STEADY)
    again = tuple(to_rejudge(traced(hand)))
    gone = again[1].sequence
    hand.do(ev.Void(gone, hand.records[gone - 1], "chip", operator="M1"))
    decision = hand.do(ev.Rejudge(again, "calibrated anew", "Q1"))
    assert gone not in [record.replaces for record in decision.records]
    assert "1 left out" in decision.reply.text
    assert traced(hand).voided == 1


@pytest.mark.attack
@given(
    steps=STEPS,
    combine=st.sampled_from([Combine.EACH, Combine.MEAN, Combine.LARGEST]),
    first=st.integers(-60, 60),
    tenths=st.integers(-9, 9),
)
@settings(max_examples=25, deadline=None)
def test_two_corrections_come_to_the_same_in_either_order_and_at_once(
    steps: list[tuple[str, str]], combine: Combine, first: int, tenths: int
) -> None:
    """A ring and a thermometer corrected one after the other, either way round or at once, end at the same numbers."""
    ring = Revision(masters={"ring-1": {"size": D("38.0012") + D(first).scaleb(-4)}})
    air = Revision(thermometers={"air": D(tenths) / 10})
    ends = []
    for order in ((ring, air), (air, ring), (ring.and_then(air),)):
        hand = live(station(combine), steps)
        for revision in order:
            recorded(hand, Asked(What.GAUGE, "bore-1"), revision)
        assert sound(hand)
        rows = traced(hand, Asked(What.GAUGE, "bore-1"), Revision()).rows
        ends.append([(row.base, row.stands.record.value_mm, row.stands.record.verdict) for row in rows])
    assert ends[0] == ends[1] == ends[2]


def test_a_form_shows_what_its_figures_become() -> None:
    """A list to act on has a form's taper as it stands and as it comes to; in a table it is where a value would be."""
    hand = live(station(Combine.MEAN), [("show", "38.0100"), ("warm", "26.0"), ("show", "38.0220")])
    made = traced(hand, Asked(What.THERMOMETER, "air"), Revision(thermometers={"air": D("1.5")}))
    (form,) = (row for row in made.rows if row.kind is Kind.FORM)
    said = row_document(form, "0" * 36)
    stands, comes_to = D(said["taper_mm"]), D(said["taper_mm_becomes"])
    assert stands == form.stands.record.taper_mm
    assert stands != comes_to == form.made.taper_mm
    assert "taper_mm_becomes" in COLUMNS
    (line,) = (line for line in lines(made, "0" * 36, every=True) if "taper" in line)
    assert f"taper {said['taper_mm']}" in line
    assert f"taper {said['taper_mm_becomes']}" in line


@given(steps=STEPS, combine=st.sampled_from(Combine))
@settings(max_examples=30, deadline=None)
def test_nothing_corrected_records_nothing(steps: list[tuple[str, str]], combine: Combine) -> None:
    """A certificate that says what the station file said, and a thermometer corrected by 0 K, change nothing."""
    hand = live(station(combine), steps)
    same = Revision({"ring-1": {"size": D("38.0012"), "uncertainty": D("0.0008")}}, {"air": D(0)})
    assert recorded(hand, Asked(What.GAUGE, "bore-1"), same) == []


def test_what_rests_on_archived_records_is_not_called_otherwise() -> None:
    """Where the mastering is archived nothing can be said; where only what came before is, all comes out the same."""
    hand = live(station(), STEADY)
    made = recorded(hand)
    kinds = [record.kind for record in hand.records]
    mastered = kinds.index(Kind.READING)
    assert list(rederived(Later(hand.records, mastered), len(kinds))) == [None] * len(made)
    again = [at for at, kind in enumerate(kinds, 1) if kind is Kind.REJUDGED]
    assert list(rederived(Later(hand.records, 1), len(kinds))) == again
