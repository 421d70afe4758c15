"""What must hold for any reading at a bench, whatever its numbers: from digits and set-up to verdict and decision."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D

import pytest
from hypothesis import given, settings, strategies as st

from gaugepost.core.bench import events as ev
from gaugepost.core.conformity.rules import Rule, RuleName, parse_rule, rule
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Record
from gaugepost.core.setup import Combine, Feature, SetUp
from tests.core.station import BORE, GAUGE, Hand
from tests.core.test_uncertainty_gauging import KNOWN_RING, TWENTY, known

RULES = [rule(name) for name in RuleName]
ANY_RULE = st.sampled_from(RULES)
PLACES = ("a", "b", "c")


def last(set_up: SetUp, ring: str, *shown: str, unit: Unit = Unit.MM) -> Record:
    """Master and check with the digits that the ring shows, measure; return what is judged."""
    hand = Hand(set_up)
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=2))
    for _ in range(2):
        hand.show(ring, unit=unit)
    hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1", readings=1))
    hand.show(ring, unit=unit)
    for digits in shown:
        hand.show(digits, unit=unit)
    return hand.records[-1]


@settings(max_examples=60)
@given(
    by=ANY_RULE,
    off_um=st.integers(-40, 60),
    which=st.sampled_from(["ring", "repeatability", "error", "spread", "step", "drift"]),
    one=st.integers(1, 60),
    more=st.integers(1, 60),
    combine=st.sampled_from([Combine.EACH, Combine.MEAN, Combine.LARGEST, Combine.MEDIAN]),
)
def test_more_uncertainty_never_verifies_more(
    by: Rule, off_um: int, which: str, one: int, more: int, combine: Combine
) -> None:
    """Whatever grows in what a value rests on, nothing is proved that was not proved before, and no piece is accepted.

    Degrees of freedom are without end here: with few, the standards' own coverage factor falls as components that are
    well known are added.
    """

    def judged(tenths: int) -> Record:
        amount = D(tenths).scaleb(-4)
        ring = replace(
            KNOWN_RING,
            uncertainty_mm=amount if which == "ring" else D("0.0008"),
            drift_mm_per_year=amount if which == "drift" else None,
            calibrated_utc_ms=1_750_000_000_000,
        )
        gauge = replace(
            GAUGE,
            repeatability_mm=amount if which == "repeatability" else D("0.0004"),
            resolution_mm=amount if which == "step" else D("0.0001"),
            maximum_error_mm=amount if which == "error" else None,
        )
        spread = D(tenths).scaleb(-1) if which == "spread" else D("0.5")
        entry = replace(
            BORE, rule=by, combine=combine, positions=PLACES if combine is not Combine.EACH else ()
        )
        station = known(
            gauges={"bore-1": gauge},
            masters={"ring-1": ring},
            characteristics={"A": entry},
            declared=tuple(replace(each, spread_k=spread) for each in TWENTY),
        )
        shown = [f"{D('38.0030') + D(off_um + at).scaleb(-3):.4f}" for at in range(3)]
        return last(station, "38.0040", *(shown[:1] if combine is Combine.EACH else shown))

    sure, unsure = judged(one), judged(one + more)
    assert sure.value_mm == unsure.value_mm
    assert sure.standard_uncertainty_mm is not None
    assert unsure.standard_uncertainty_mm is not None
    assert unsure.standard_uncertainty_mm >= sure.standard_uncertainty_mm
    assert unsure.conformity in (sure.conformity, "neither")
    if "rejection" not in by.name:
        assert not (unsure.decision == "accept" and sure.decision != "accept")
    assert not (unsure.decision == "reject" and sure.decision != "reject")


MIRROR = {"undersize": "oversize", "oversize": "undersize"}
REMEDY = {"can still be opened": "can still be taken down"}


@settings(max_examples=60)
@given(by=ANY_RULE, off_um=st.integers(-40, 60), ring_um=st.integers(-20, 20), u=st.integers(1, 60))
def test_a_bore_and_its_shaft_mirror_each_other(by: Rule, off_um: int, ring_um: int, u: int) -> None:
    """A shaft as far inside its limits as a bore is decided alike; what can still be done is reversed."""
    nominal = D(38)

    def judged(feature: Feature, sign: int) -> Record:
        def at(um: int) -> D:
            return nominal + sign * D(um).scaleb(-3)

        lower, upper = sorted((at(0), at(25)))
        entry = replace(BORE, feature=feature, lower_mm=lower, upper_mm=upper, rule=by)
        ring = replace(KNOWN_RING, size_mm=at(ring_um), uncertainty_mm=D(u).scaleb(-4))
        station = known(masters={"ring-1": ring}, characteristics={"A": entry})
        return last(station, f"{at(ring_um + 3):.4f}", f"{at(off_um + 3):.4f}")

    bore, shaft = judged(Feature.BORE, 1), judged(Feature.SHAFT, -1)
    assert bore.value_mm is not None
    assert shaft.value_mm == 2 * nominal - bore.value_mm
    assert shaft.verdict == MIRROR.get(bore.verdict or "", bore.verdict)
    for name in ("decision", "rule", "conformity", "probability", "uncertainty_mm", "coverage_factor"):
        assert getattr(shaft, name) == getattr(bore, name)
    assert shaft.remedy == REMEDY.get(bore.remedy or "", bore.remedy)
    acceptance = bore.lower_acceptance, bore.upper_acceptance
    mirrored = [None if limit is None else 2 * nominal - limit for limit in reversed(acceptance)]
    assert [shaft.lower_acceptance, shaft.upper_acceptance] == mirrored


@settings(max_examples=50)
@given(
    by=ANY_RULE,
    lower=st.integers(14_000, 16_000),
    width=st.integers(4, 40),
    off=st.integers(-300, 4300),
    ring=st.integers(-200, 200),
    u=st.integers(1, 99),
    rounded=st.booleans(),
)
def test_inch_and_metric_twins_agree_bit_for_bit(
    by: Rule, lower: int, width: int, off: int, ring: int, u: int, rounded: bool
) -> None:
    """One bore said and shown in inches, and in millimetres to the last digit: one verdict, decision and number."""

    def inches(ten_thousandths: int, hundredths: int = 0) -> D:
        return D(ten_thousandths * 100 + hundredths).scaleb(-6)

    def judged(factor: D, unit: Unit, places: int) -> Record:
        def said(size: D) -> str:
            return f"{size * factor:.{places}f}"

        entry = replace(
            BORE,
            unit=unit,
            lower_mm=inches(lower) * D("25.4"),
            upper_mm=inches(lower + width) * D("25.4"),
            nominal_mm=None,
            step=D("0.0001") if unit is Unit.INCH else D("0.00001"),
            rule=parse_rule("simple acceptance") if rounded else by,
        )
        at = inches(lower, ring)
        master = replace(
            KNOWN_RING,
            size_mm=at * D("25.4"),
            uncertainty_mm=D(u).scaleb(-6) * D("25.4"),
            coverage_factor=D(2),
        )
        gauge = replace(GAUGE, repeatability_mm=D("0.0004"), resolution_mm=D("0.0001") * D("25.4"))
        station = known(gauges={"bore-1": gauge}, masters={"ring-1": master}, characteristics={"A": entry})
        return last(station, said(at), said(inches(lower, off)), unit=unit)

    inch, metric = judged(D(1), Unit.INCH, 6), judged(D("25.4"), Unit.MM, 7)
    for name in (
        "value_mm", "verdict", "decision", "rule", "rule_parameter", "conformity", "probability", "remedy", "reasons",
        "uncertainty_mm", "standard_uncertainty_mm", "coverage_factor", "degrees_of_freedom", "master_correction_mm",
    ):  # fmt: skip
        assert getattr(inch, name) == getattr(metric, name), name
    assert inch.verdict != "not-judged"


@pytest.mark.parametrize("by", RULES, ids=str)
def test_limits_belong_to_the_inside_in_both_units(by: Rule) -> None:
    """A bore of exactly the limit is in limits, said in inches or millimetres; a step beyond, it is not."""
    for shown, verdict in (("1.500000", "in-limits"), ("1.499999", "undersize"), ("1.501000", "in-limits")):
        entry = replace(
            BORE, unit=Unit.INCH, lower_mm=D("38.1"), upper_mm=D("38.1254"), nominal_mm=None, rule=by
        )
        ring = replace(KNOWN_RING, size_mm=D("38.1"))
        station = known(masters={"ring-1": ring}, characteristics={"A": entry})
        assert last(station, "1.500000", shown, unit=Unit.INCH).verdict == verdict
