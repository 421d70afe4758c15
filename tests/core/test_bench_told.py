"""What records of a bench say of themselves: who, when, on what, with which readings, under which set-up."""

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.quantity import Unit
from gaugepost.core.record import DERIVATION, Kind, Record
from gaugepost.core.setup import Body, DeclaredTemperature
from tests.core.station import AIR, BORE, RING, Hand, set_up

TWENTY = tuple(DeclaredTemperature(body=body, celsius=D(20)) for body in Body)


def told(record: Record, *names: str) -> tuple[Any, ...]:
    return tuple(getattr(record, name) for name in names)


def bench(**station: Any) -> Hand:
    """A station with two people: the one who is signed in, and one who may act in another's stead."""
    hand = Hand(set_up(declared=TWENTY, **station))
    hand.do(ev.SetTags({"operator": "M1"}))
    return hand


def sequence_of(hand: Hand, record: Record) -> int:
    return next(at for at, each in enumerate(hand.records, 1) if each is record)


@pytest.mark.parametrize(("named", "told_as"), [(None, "M1"), ("M2", "M2")])
def test_a_mastering_says_who_when_and_by_which_readings(named: str | None, told_as: str) -> None:
    """It names readings, person, master, temperatures and set-up; who began it comes before who is signed in."""
    hand = bench()
    begun = hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=2, operator=named)).records[0]
    assert told(begun, "kind", "gauge", "master", "count", "code", "operator") == (
        Kind.MASTERING_BEGUN, "bore-1", "ring-1", 2, None, told_as,
    )  # fmt: skip
    readings = [hand.show(each) for each in ("38.003", "38.004")]
    made = hand.last(Kind.MASTERING)
    assert [told(each, "kind", "master", "count", "operator", "indication") for each in readings] == [
        (Kind.MASTER_READING, "ring-1", at, told_as, shown) for at, shown in ((1, "38.003"), (2, "38.004"))
    ]
    assert [told(each, "link", "raw", "indication_unit") for each in readings] == [
        ("usb-1", f"{shown} mm".encode(), Unit.MM) for shown in ("38.003", "38.004")
    ]
    assert told(made, "operator", "master", "members", "spread_mm", "derivation") == (
        told_as, "ring-1", tuple(sequence_of(hand, each) for each in readings), D("0.001"), DERIVATION,
    )  # fmt: skip
    assert told(made, "gauge_temperature_c", "gauge_temperature_source") == (D(20), "declared")
    assert told(made, "master_temperature_c", "master_temperature_source") == (D(20), "declared")
    assert made.ends_mastering is None
    for record in (begun, *readings, made):
        assert told(record, "gauge", "set_up") == ("bore-1", hand.state.set_up_sequence)
        assert record.measured_at - record.clock_ms == hand.now.utc_ms - hand.now.clock_ms
    assert told(made, "measured_at", "clock_ms") == told(readings[-1], "measured_at", "clock_ms")


@pytest.mark.parametrize(("named", "told_as"), [(None, "M1"), ("M2", "M2")])
def test_a_check_says_who_when_and_by_which_readings(named: str | None, told_as: str) -> None:
    """It names mastering, readings and corrections beside its error; so does what it puts in doubt."""
    hand = bench()
    mastering = hand.master("38.004", "38.004")
    hand.check("38.004")
    reading = hand.show("38.010")
    begun = hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1", readings=2, operator=named)).records[0]
    assert told(begun, "kind", "master", "count", "operator") == (Kind.CHECK_BEGUN, "ring-1", 2, told_as)
    readings = [hand.show(each) for each in ("38.009", "38.011")]
    made, suspect = hand.records[-2:]
    assert told(made, "kind", "operator", "master", "mastering", "code") == (
        Kind.CHECK, told_as, "ring-1", sequence_of(hand, mastering), "failed",
    )  # fmt: skip
    assert told(made, "value_mm", "master_correction_mm", "thermal_correction_mm", "error_mm", "spread_mm") == (
        D("38.0072"), D("-0.0028"), D(0), D("0.006"), D("0.002"),
    )  # fmt: skip
    assert told(made, "members", "derivation") == (
        tuple(sequence_of(hand, each) for each in readings), DERIVATION,
    )  # fmt: skip
    assert told(made, "gauge_temperature_c", "master_temperature_source") == (D(20), "declared")
    assert told(suspect, "kind", "operator", "first", "last", "count") == (
        Kind.SUSPECT, told_as, sequence_of(hand, reading), sequence_of(hand, readings[-1]), 1,
    )  # fmt: skip
    for record in (begun, made, suspect):
        assert told(record, "gauge", "set_up") == ("bore-1", hand.state.set_up_sequence)
        assert record.measured_at - record.clock_ms == hand.now.utc_ms - hand.now.clock_ms
    assert suspect.measured_at == made.measured_at == readings[-1].measured_at
    assert "in doubt" in (suspect.text or "")


def test_a_check_is_corrected_by_what_is_known_then() -> None:
    """A thermometer that fell silent, or a coefficient that left the station file, since then: no correction."""
    silent = Hand(set_up(thermometers={"air": AIR}))
    silent.warm("24.00")
    silent.ready()
    silent.wait(AIR.max_age_ms)
    check = silent.check("38.004")
    assert told(check, "thermal_correction_mm", "gauge_temperature_c", "reasons") == (None, None, None)
    edited = bench().ready()
    edited.load(set_up({"coefficient": None}, declared=TWENTY))
    assert told(edited.check("38.004"), "thermal_correction_mm", "gauge_temperature_c") == (None, D(20))


@pytest.mark.parametrize("what", ["mastering", "check"])
def test_what_was_given_up_says_so(what: str) -> None:
    """It names the readings taken, who gave up and why; a mastering given up ends the one before, a check does not."""
    hand = bench().ready()
    begin = ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=2)
    hand.do(begin if what == "mastering" else ev.BeginCheck("bore-1", "ring-1", "R-1", readings=2))
    reading = hand.show("38.004")
    given_up = hand.do(ev.Abandon("bore-1", "ring dropped", operator="M2")).records[0]
    assert told(given_up, "kind", "gauge", "operator", "members", "code") == (
        Kind.ABANDONED, "bore-1", "M2", (sequence_of(hand, reading),), what,
    )  # fmt: skip
    assert told(given_up, "measured_at", "clock_ms") == (hand.now.utc_ms, hand.now.clock_ms)
    assert given_up.set_up == hand.state.set_up_sequence
    assert given_up.text == f"a {what} was begun and abandoned: ring dropped"
    assert (hand.show("38.010").verdict == "not-judged") is (what == "mastering")
    hand.do(begin)
    assert hand.do(ev.Abandon("bore-1")).records[0].text == "a mastering was begun and abandoned"


def test_a_reading_says_all_that_made_it() -> None:
    """Frame, digits, person, piece, place, attempt, temperatures, mastering, set-up and rules: all on one record."""
    hand = bench(characteristics={"A": replace(BORE, positions=("top", "bottom"))}).ready()
    hand.do(ev.SetTags({"lot": "L1", "piece": "7"}))
    reading = hand.show("38.010")
    assert told(reading, "kind", "gauge", "link", "raw", "indication", "indication_unit") == (
        Kind.READING, "bore-1", "usb-1", b"38.010 mm", "38.010", Unit.MM,
    )  # fmt: skip
    assert told(reading, "characteristic", "position", "lot", "piece", "attempt", "operator") == (
        "A", "top", "L1", "7", 1, "M1",
    )  # fmt: skip
    assert told(reading, "master", "mastering", "set_up", "derivation", "ends_mastering") == (
        "ring-1", sequence_of(hand, hand.last(Kind.MASTERING)), hand.state.set_up_sequence, DERIVATION, None,
    )  # fmt: skip
    assert told(reading, "measured_at", "clock_ms") == (hand.now.utc_ms, hand.now.clock_ms)
    assert told(reading, "part_temperature_c", "part_temperature_source") == (D(20), "declared")
    assert told(reading, "value_mm", "master_correction_mm", "thermal_correction_mm") == (
        D("38.0072"), D("-0.0028"), D(0),
    )  # fmt: skip


def test_a_reading_of_an_unmastered_gauge_ends_nothing() -> None:
    """A changed display ends the mastering that there is, and its record says so; without one there is none to end."""
    hand = bench()
    wrong = Hand(set_up({"unit": Unit.MM})).show("1.49606", unit=Unit.INCH)
    assert told(wrong, "verdict", "ends_mastering") == ("not-judged", None)
    hand.ready()
    assert hand.show("38.01").ends_mastering is True
    assert hand.show("38.010").verdict == "not-judged"  # a check is to follow


def test_where_a_reading_belongs() -> None:
    """Without a characteristic a place that somebody named is kept, and there is no attempt to count."""
    hand = bench(characteristics={"A": BORE, "B": replace(BORE, name="B")}).ready()
    hand.do(ev.SetTags({"piece": "7", "position": "top"}))
    assert told(hand.show("38.010"), "characteristic", "position", "attempt") == (None, "top", None)
    alone = bench(characteristics={"B": replace(BORE, name="B", gauges=())}).ready()
    assert alone.show("38.010").characteristic is None


@pytest.mark.parametrize(
    ("masters", "finding"),
    [
        ((), ""),
        (("ring-1",), ""),
        (("ring-9", "ring-1"), ""),
        (("ring-9",), "mastered on ring-1, which does not serve A"),
    ],
)
def test_a_master_serves_what_names_it(masters: tuple[str, ...], finding: str) -> None:
    """A characteristic that names no master takes any; one that does takes those that it names."""
    hand = bench(characteristics={"A": replace(BORE, masters=masters)})
    assert hand.show("38.010").reasons == ("not mastered",)
    assert "; ".join(hand.ready().show("38.010").reasons or ()) == finding


def test_both_masters_serve_or_the_one_that_does_not_is_named() -> None:
    """Of two masters the gauge was mastered on, the one that does not serve the characteristic is named."""
    rings = {"ring-1": RING, "ring-2": replace(RING, name="ring-2", size_mm=D("38.0512"), serial="R-2")}
    hand = bench(characteristics={"A": replace(BORE, masters=("ring-1",))}, masters=rings)
    hand.do(ev.BeginMastering("bore-1", ("ring-1", "ring-2"), ("R-1", "R-2"), readings=1))
    hand.show("38.004")
    hand.show("38.054")
    hand.check("38.004")
    assert hand.show("38.010").reasons == ("mastered on ring-2, which does not serve A",)


@pytest.mark.parametrize("missing", ["gauge", "master", "part"])
def test_corrections_need_every_temperature(missing: str) -> None:
    """Spans at 20 °C, checks and readings are corrected with all temperatures and coefficients or not at all."""
    some = tuple(each for each in TWENTY if each.body != missing)
    hand = Hand(set_up(declared=some))
    made, check = hand.master("38.004", "38.004"), hand.check("38.004")
    assert (made.master_spans_mm is None) is (missing != "part")
    assert (check.thermal_correction_mm is None) is (missing != "part")
    assert hand.show("38.010").thermal_correction_mm is None
    whole = Hand(set_up(declared=TWENTY)).ready()
    assert whole.last(Kind.MASTERING).master_spans_mm == (D("38.0012"),)
    assert whole.last(Kind.CHECK).thermal_correction_mm == 0
    for entry in ({"gauge": {"coefficient": None}}, {"masters": {"ring-1": replace(RING, coefficient=None)}}):
        bare = Hand(set_up(declared=TWENTY, **entry)).ready()
        assert told(bare.last(Kind.MASTERING), "master_spans_mm") == (None,)
        assert told(bare.last(Kind.CHECK), "thermal_correction_mm") == (None,)
        assert told(bare.show("38.010"), "thermal_correction_mm") == (None,)
    drifting = Hand(set_up({"coefficient": None, "drift_mm_per_k": D("0.0008")}, declared=TWENTY)).ready()
    assert drifting.show("38.010").thermal_correction_mm == 0
