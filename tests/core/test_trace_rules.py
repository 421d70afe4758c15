"""What a trace makes again by the rules and from the records of its day: old rules, what is missing, what is odd."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.tracing.dependants import Asked, What
from gaugepost.core.bench.tracing.deriving import rederived
from gaugepost.core.bench.tracing.document import MEASURE_AGAIN, action
from gaugepost.core.bench.tracing.rejudging import to_rejudge
from gaugepost.core.bench.tracing.reliving import Chosen, relive
from gaugepost.core.bench.tracing.revision import Revision
from gaugepost.core.bench.tracing.tracing import trace
from gaugepost.core.conformity import parse_rule
from gaugepost.core.quantity import Unit
from gaugepost.core.record import DERIVATIONS, Kind, Record
from gaugepost.core.setup import Combine, Display, PlaceEntry, SetUp
from tests.core.station import AIR, Hand
from tests.core.test_trace_lived import STEPS, Later
from tests.core.test_trace_reliving import MEASURED, live, relived, station
from tests.core.trail import Trail

GAUGE = Asked(What.GAUGE, "bore-1")
SMALLER = Revision({"ring-1": {"size": D("37.9962"), "uncertainty": D("0.0016")}})


def smaller(made: SetUp) -> SetUp:
    """The station as it should have been."""
    ring = replace(made.masters["ring-1"], size_mm=D("37.9962"), uncertainty_mm=D("0.0016"))
    return replace(made, masters={**made.masters, ring.name: ring})


def made_again(hand: Hand, revision: Revision | None = None) -> dict[int, Record]:
    return {each.sequence: each.record for each in relived(hand.records, revision or Revision())}


def as_recorded(hand: Hand, *kinds: Kind) -> dict[int, Record]:
    return {
        at: each for at, each in enumerate(hand.records, 1) if each.kind in (kinds or (*MEASURED, Kind.CHECK))
    }


def lost(records: Sequence[Record], at: int) -> list[Record]:
    """What is left of records whose one with this sequence can't be read any more."""
    return [replace(each, kind=Kind.CONDITION) if each is records[at - 1] else each for each in records]


@pytest.mark.parametrize("combine", [Combine.EACH, Combine.MEAN, Combine.RANGE])
@pytest.mark.parametrize("derivation", DERIVATIONS)
def test_old_rules_make_old_numbers(combine: Combine, derivation: int) -> None:
    """Under whichever rules it was measured, a day comes out as it was, and under the right ring as it would have."""
    made = station(combine)
    hand, right = (live(each, STEPS, derivation=derivation) for each in (made, smaller(made)))
    assert made_again(hand) == as_recorded(hand)
    came = made_again(hand, SMALLER)
    stated = ("uncertainty_mm", "standard_uncertainty_mm", "uncertainty_reasons", "value_mm", "error_mm")
    for at, record in as_recorded(right).items():
        if record.kind is not Kind.CHECK:
            assert came[at] == record
        assert [getattr(came[at], name) for name in stated] == [getattr(record, name) for name in stated]
    (check,) = {each.uncertainty_mm is not None for each in as_recorded(hand, Kind.CHECK).values()}
    assert check is (derivation > 2)


def test_what_names_no_rules_is_of_the_first() -> None:
    """A result and a check from before rules were numbered come out as they were, without any uncertainty."""
    hand = live(station(Combine.MEAN), STEPS, derivation=1)
    hand.records = [replace(each, derivation=None) for each in hand.records]
    came, wanted = made_again(hand), as_recorded(hand)
    for at, record in wanted.items():
        assert replace(came[at], derivation=None) == record
    assert {Kind.RESULT, Kind.CHECK} <= {record.kind for record in came.values()}


def test_a_check_s_own_temperatures_are_corrected() -> None:
    """Where gauge and ring grow otherwise, what a check is corrected to 20 °C by is that of the right thermometer."""
    made, shift = station(coefficient=D("5E-6")), D("0.5")
    hand, right = (live(made, STEPS, each) for each in (D(0), shift))
    came = made_again(hand, Revision(thermometers={"air": shift}))
    checks = as_recorded(right, Kind.CHECK)
    for at, record in checks.items():
        assert came[at].thermal_correction_mm == record.thermal_correction_mm
        assert came[at].master_correction_mm == record.master_correction_mm
    moved = [came[at].thermal_correction_mm != hand.records[at - 1].thermal_correction_mm for at in checks]
    assert any(moved)


def test_a_check_whose_display_changed_is_known_by_its_coarsest_step() -> None:
    """It failed for that; made again its uncertainty is what it was."""
    hand = live(station(), [("show", "38.0101")])
    hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1", readings=2))
    hand.show("38.0040")
    hand.show("38.004")
    hand.show("38.0101")
    check = hand.last(Kind.CHECK)
    assert (check.code, check.uncertainty_mm is not None) == ("failed", True)
    assert check in made_again(hand).values()


def of_two(**more: Any) -> Hand:
    """Master, and measure a piece twice at no place in particular."""
    made = station(Combine.MEAN)
    (bore,) = made.characteristics.values()
    bore = replace(bore, readings=2, positions=(), places=None, **more)
    hand = live(replace(made, characteristics={bore.name: bore}), [])
    hand.show("38.0101")
    hand.show("38.0113")
    return hand


def test_readings_at_no_place_in_particular_make_their_result_again() -> None:
    """Several readings of a characteristic without places are one result, as they were, and as they should be."""
    hand = of_two()
    result = hand.last(Kind.RESULT)
    assert made_again(hand)[len(hand.records)] == result
    corrected = made_again(hand, SMALLER)[len(hand.records)]
    assert corrected.value_mm is not None and result.value_mm is not None
    assert abs(corrected.value_mm - result.value_mm + D("0.005")) < D("0.0000005")


def test_a_result_of_which_one_reading_is_missing_is_lost() -> None:
    """Where the mastering of its first reading can't be read any more, it is counted as lost: a half is no mean."""
    hand = live(station(Combine.MEAN), [("show", "38.0101"), ("master", "38.0052"), ("check", "38.0052")])
    first = next(at for at, each in enumerate(hand.records, 1) if each.kind is Kind.MASTERING)
    hand.show("38.0113")
    result = next(at for at, each in enumerate(hand.records, 1) if each.kind is Kind.RESULT)
    whole = trace(Trail(hand.records), GAUGE, Revision(), len(hand.records))
    assert (whole.lost, result in {row.base for row in whole.rows}) == (0, True)
    left = trace(Trail(lost(hand.records, first)), GAUGE, Revision(), len(hand.records))
    members = hand.records[result - 1].members
    assert members is not None
    assert [row.base for row in left.rows] == [members[1]]
    assert left.lost == 3  # the reading, the result and the form


def test_what_was_measured_under_a_set_up_that_is_missing_is_lost() -> None:
    """Held to another day's limits a reading would seem to change: it is counted as lost, and so is its result."""
    hand = live(station(Combine.MEAN), [("show", "38.0101"), ("show", "38.0113")])
    before = len(hand.records)
    (bore,) = hand.set_up.characteristics.values()
    hand.load(replace(hand.set_up, characteristics={"A": replace(bore, upper_mm=D("38.010"))}))
    loaded = next(
        at for at in range(before + 1, len(hand.records) + 1) if hand.records[at - 1].kind is Kind.SET_UP
    )
    hand.show("38.0101")
    hand.show("38.0113")
    after = [at for at in as_recorded(hand, *MEASURED) if at > before]
    whole = trace(Trail(hand.records), GAUGE, Revision(), len(hand.records))
    assert (whole.lost, [row for row in whole.rows if row.changes]) == (0, [])
    left = trace(Trail(lost(hand.records, loaded)), GAUGE, Revision(), len(hand.records))
    assert (left.lost, [row for row in left.rows if row.changes]) == (len(after), [])
    assert not {row.base for row in left.rows} & {*after}


def test_a_reading_of_no_mastering_at_a_gauge_that_is_not_known_is_lost() -> None:
    """Where its station file can't be read any more, what an unmastered gauge showed says nothing."""
    hand = Hand(station())
    hand.show("38.0101")
    at = len(hand.records)
    assert (hand.records[-1].kind, hand.records[-1].mastering) == (Kind.READING, None)
    loaded = next(at for at, each in enumerate(hand.records, 1) if each.kind is Kind.SET_UP)
    chosen = Chosen({at: hand.records[-1]}, {}, {}, frozenset(), at)
    assert list(relive(Trail(lost(hand.records, loaded)), chosen, Revision())) == []


def test_what_has_no_value_waits_for_nothing() -> None:
    """What a comparator shows before its mastering has no size: it comes out so, and is no part of a result."""
    hand = Hand(station(Combine.MEAN, display=Display.FROM_MASTER))
    hand.show("0.0101")
    assert (hand.records[-1].characteristic, hand.records[-1].value_mm) == ("A", None)
    assert made_again(hand) == {len(hand.records): hand.records[-1]}


def test_a_reading_of_nothing_selected_has_one_reason() -> None:
    """Of a gauge in order that measures what nobody selected, it is said once."""
    made = station()
    (bore,) = made.characteristics.values()
    hand = live(replace(made, characteristics={each: replace(bore, name=each) for each in ("A", "B")}), [])
    hand.show("38.0101")
    assert len(hand.records[-1].reasons or ()) == 1
    assert made_again(hand)[len(hand.records)] == hand.records[-1]


def test_a_result_names_its_members_as_they_stood() -> None:
    """One completed after its first reading was judged again names, made once more, the record that stood for it."""
    hand = live(station(Combine.MEAN), [("show", "38.0101")])
    reading = len(hand.records)
    again = tuple(to_rejudge(trace(Trail(hand.records), GAUGE, SMALLER, reading)))
    hand.do(ev.Rejudge(again, "calibrated anew", "Q1"))
    judged = len(hand.records)
    hand.show("38.0113")
    at = next(at for at, each in enumerate(hand.records, 1) if each.kind is Kind.RESULT)
    assert hand.records[at - 1].members == (judged, judged + 1)
    assert made_again(hand)[at].members == (judged, judged + 1)


def test_no_thermometer_is_named_where_nobody_asks() -> None:
    """Even where the archive ends with a fresh temperature."""
    hand = live(station(), [("show", "38.0101")])
    readings = as_recorded(hand, Kind.READING)
    archived = min(readings) - 1
    for asked, named in ((False, frozenset()), (True, {"air"})):
        came = relive(
            Later(hand.records, archived), Chosen(readings, {}, {}), Revision(), with_thermometers=asked
        )
        assert [each.thermometers for each in came] == [named]


def test_what_is_fresh_is_so_by_the_clock_that_runs_through() -> None:
    """A wall clock set forward within a start of the computer makes no temperature old: its thermometer is named."""
    hand = live(station(), [])
    hand.wait(1000, wall_ms=2 * AIR.max_age_ms)
    hand.show("38.0101", unit=Unit.MM)
    shift = D("0.5")
    (came,) = (
        each
        for each in relived(hand.records, Revision(thermometers={"air": shift}))
        if each.record.kind is Kind.READING
    )
    was = hand.records[came.sequence - 1].part_temperature_c
    assert was is not None
    assert came.record.part_temperature_c == was + shift
    assert came.thermometers == {"air"}


def test_what_is_in_a_guard_band_is_judged_again() -> None:
    """The reasons of a decision are no doubts of the reading: one in a guard band comes out so, and may leave it."""
    made = station()
    (bore,) = made.characteristics.values()
    guarded = replace(bore, rule=parse_rule("guarded acceptance by factor 1.65"))
    made = replace(made, characteristics={bore.name: guarded})
    hand, right = (live(each, [("show", "38.0285")]) for each in (made, smaller(made)))
    at = len(hand.records)
    reading = hand.records[-1]
    assert (reading.verdict, reading.reasons) == ("in-limits", ("in the guard band at the upper limit",))
    assert made_again(hand)[at] == reading
    assert made_again(hand, SMALLER)[at] == right.records[-1]
    assert right.records[-1].decision == "accept"


def test_what_has_no_limits_can_leave_its_gauge_s_range() -> None:
    """It has neither verdict nor reasons; where its size turns out to be beyond the gauge's range, that is said."""
    made = station(size_range_mm=(D("38.005"), D("38.020")))
    (bore,) = made.characteristics.values()
    made = replace(made, characteristics={bore.name: replace(bore, lower_mm=None, upper_mm=None)})
    hand = live(made, [("show", "38.0101")])
    reading = hand.records[-1]
    assert (reading.verdict, reading.reasons) == ("not-judged", None)
    assert made_again(hand)[len(hand.records)] == reading
    assert made_again(hand, SMALLER)[len(hand.records)].reasons == (
        "the size is outside the gauge's range of 38.005 to 38.020 mm",
    )


@pytest.mark.parametrize("combine", [Combine.MEAN, Combine.RANGE, Combine.EACH])
def test_a_result_of_which_a_reading_is_in_doubt_by_now_is_not_judged(combine: Combine) -> None:
    """One that was accepted is to be measured again where a reading of it was beyond its gauge's range after all."""
    out = ("the size is outside the gauge's range of 38.003 to 38.020 mm",)
    places = station(Combine.MEAN, size_range_mm=(D("38.003"), D("38.020")))
    bore = replace(places.characteristics["A"], combine=combine)
    if combine is Combine.RANGE:
        bore = replace(bore, lower_mm=None, upper_mm=D("0.010"))
    hand = live(replace(places, characteristics={"A": bore}), [("show", "38.0101"), ("show", "38.0141")])
    made = trace(Trail(hand.records), GAUGE, SMALLER, len(hand.records))
    assert (made.lost, len(made.rows)) == (0, len(as_recorded(hand, *MEASURED)))
    by_kind = {row.kind: row for row in made.rows}
    form = by_kind[Kind.FORM].made
    assert (form.taper_mm, form.verdict) == (hand.last(Kind.FORM).taper_mm, None)
    assert form.reasons == (*(hand.last(Kind.FORM).reasons or ()), *out)
    assert [row.made.reasons for row in made.rows if row.kind is Kind.READING] == [out, None]
    right = trace(Trail(hand.records), GAUGE, Revision(), len(hand.records))
    assert [row.changes for row in right.rows] == [()] * len(made.rows)
    if combine is Combine.EACH:
        return
    result, was = by_kind[Kind.RESULT], hand.last(Kind.RESULT)
    assert (was.decision, action(result)) == ("accept", MEASURE_AGAIN)
    assert (result.made.verdict, result.made.decision, result.made.reasons) == ("not-judged", None, out)
    assert (result.made.lower, result.made.upper) == (was.lower, was.upper)
    assert was.value_mm is not None and result.made.value_mm is not None
    moved = D("-0.005") if combine is Combine.MEAN else D(0)
    assert abs(result.made.value_mm - was.value_mm - moved) < D("0.0000005")
    assert result.made.uncertainty_mm is not None
    hand.do(ev.Rejudge(tuple(to_rejudge(made)), "calibrated anew", "Q1"))
    again = [at for at, each in enumerate(hand.records, 1) if each.kind is Kind.REJUDGED]
    assert sorted(str(each) for each in rederived(Trail(hand.records), len(hand.records))) == sorted(
        map(str, again)
    )


def test_a_form_says_its_own_reasons_and_the_doubts_of_its_readings() -> None:
    """What a contact can't see is said as before, beside what is in doubt of a reading by now."""
    made = station(Combine.MEAN, size_range_mm=(D("38.003"), D("38.020")))
    places = {place: PlaceEntry(angle_deg=D(angle)) for place, angle in (("top", 0), ("mid", 90))}
    bore = replace(made.characteristics["A"], places=places)
    hand = live(replace(made, characteristics={"A": bore}), [("show", "38.0101"), ("show", "38.0141")])
    (form,) = (at for at, each in enumerate(hand.records, 1) if each.kind is Kind.FORM)
    (blind,) = hand.records[form - 1].reasons or ()
    assert made_again(hand)[form] == hand.records[form - 1]
    assert made_again(hand, SMALLER)[form].reasons == (
        blind,
        "the size is outside the gauge's range of 38.003 to 38.020 mm",
    )
