"""Two masters are a lever: how far their errors reach hangs on where a size lies, and what is stated says so."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import GTC
import pytest
from hypothesis import given, strategies as st

from gaugepost.core.bench.budgeting import form_budgets, of_result, result_budget
from gaugepost.core.bench.events import BeginMastering
from gaugepost.core.bench.state import Mastered
from gaugepost.core.conformity import parse_rule
from gaugepost.core.form import Place
from gaugepost.core.mastering import Line
from gaugepost.core.record import Kind
from gaugepost.core.setup import Combine, SetUp
from gaugepost.core.uncertainty import Budget
from tests.core.station import BORE, Hand
from tests.core.test_budget_document import member
from tests.core.test_budget_rules import mastered, of_reading, stated
from tests.core.test_uncertainty_gauging import KNOWN_RING, known

SMALL, LARGE = D("38.0010"), D("38.0030")
U_RING, S, STEP = 0.0004, 0.0004, 0.001
"""Standard uncertainty of each ring, standard deviation of one reading, and the display's step, in mm."""
OF_EACH = math.sqrt(U_RING**2 + S**2 / 2 + STEP**2 / 12)
"""What is unknown of each of two points of the line: the ring's size, the mean of two readings of it, their digits."""


def two(**rings: Any) -> SetUp:
    near = [
        replace(KNOWN_RING, name=name, size_mm=size, **rings)
        for name, size in (("small", SMALL), ("large", LARGE))
    ]
    return known(masters={each.name: each for each in near})


def on_both(sequence: int = 1) -> Mastered:
    return mastered(masters=("small", "large"), sequence=sequence)


def lever(size: float) -> float:
    """What the errors of two points come to at a size: a line through both (JCGM 100:2008, 5.1.2)."""
    r = (size - float(SMALL)) / float(LARGE - SMALL)
    return OF_EACH * math.hypot(1 - r, r)


def at_20(made: Budget) -> float:
    """Return the standard uncertainty without what temperatures make of it."""
    return math.sqrt(sum(each.contribution**2 for each in made.components if each.unit == "mm"))


OWN = math.hypot(S, STEP / math.sqrt(12))
"""What is another error in each reading."""


@pytest.mark.parametrize(
    ("limits", "value", "counts_at"),
    [
        (("38.000", "38.025"), "38.002", "38.025"),
        (("38.000", "38.025"), "38.025", "38.025"),
        (("38.000", "38.025"), "38.100", "38.100"),
        (("38.000", "38.025"), "37.900", "37.900"),
        (("37.950", "38.003"), "38.002", "37.950"),
        (("37.950", None), "38.200", "38.200"),
        ((None, "38.003"), "38.002", "38"),  # the nominal size
    ],
)
def test_errors_count_as_far_out_as_what_is_judged(
    limits: tuple[str | None, str | None], value: str, counts_at: str
) -> None:
    """At the limit farther from both masters, whatever the value; beyond the limits where the value is.

    Rings 2 µm apart say little of a size 20 µm away: what was stated there was once what holds at the nominal size.
    """
    lower, upper = (None if each is None else D(each) for each in limits)
    entry = replace(BORE, lower_mm=lower, upper_mm=upper)
    made = stated(of_reading(two(), entry, on_both(), value_mm=D(value)))
    assert at_20(made) == pytest.approx(math.hypot(lever(float(counts_at)), OWN), rel=1e-6)
    assert any(f"as at {counts_at} mm" in note for note in made.assumed)


def test_all_values_within_the_limits_have_one_budget() -> None:
    """So that acceptance limits are the same for all; and it is that which is promised beforehand."""
    set_up, at = two(), on_both()
    made = [of_reading(set_up, at=at, value_mm=value) for value in (D("38.001"), D("38.020"), None)]
    assert made[0] is made[1] is made[2]


def test_one_master_counts_the_same_everywhere() -> None:
    """Its error is the offset's."""
    set_up, at = known(), mastered()
    made = [of_reading(set_up, at=at, value_mm=value) for value in (D("38.001"), D("39"), None)]
    assert made[0] is made[1] is made[2]


def test_derivation_4_stated_what_holds_at_the_nominal_size() -> None:
    """Its records are derived again as they were."""
    made = stated(of_reading(two(), at=on_both(), value_mm=D("38.100"), derivation=4))
    assert at_20(made) == pytest.approx(math.hypot(lever(38), OWN), rel=1e-6)


@given(st.decimals("37.5", "38.5", places=4), st.decimals("37.5", "38.5", places=4))
def test_the_ring_that_is_known_worse_decides_which_limit_is_worse(one: D, other: D) -> None:
    """Whichever end is worse known is taken, not the one that is farther away; and no size between is worse."""
    masters = dict(two().masters)
    masters["large"] = replace(masters["large"], uncertainty_mm=D("0.008"))
    set_up, lower, upper = known(masters=masters), min(one, other), max(one, other)
    entry = replace(BORE, nominal_mm=None, lower_mm=lower, upper_mm=upper)
    made = at_20(stated(of_reading(set_up, entry, on_both())))
    for size in (lower, (lower + upper) / 2, upper):
        alone = replace(BORE, nominal_mm=size, lower_mm=None, upper_mm=None)
        there = stated(of_reading(set_up, alone, on_both(), derivation=4))
        assert made >= at_20(there) * (1 - 1e-4)  # a coefficient's part hangs on the size, too


def test_a_range_has_the_error_of_the_scale() -> None:
    """Masters cancel in a range only as far as they shift: what they stretch is in it, of 0.1 mm fifty times more."""
    at, entry = on_both(), replace(BORE, combine=Combine.RANGE, readings=2, nominal_mm=None, lower_mm=None)
    members = tuple(member(mastered=at, value_mm=D(size)) for size in ("38.100", "38.000"))
    sizes = (D("38.100"), D("38.000"))
    stretched = OF_EACH * math.sqrt(2) * 0.1 / float(LARGE - SMALL)
    for rings in (two(), two(certificate="C-1")):  # nobody says that a shared error is shared whole
        made = stated(result_budget(rings, entry, members, sizes))
        assert made.standard_mm == pytest.approx(math.hypot(stretched, OWN * math.sqrt(2)), rel=1e-5)
    was = stated(result_budget(two(), entry, members, sizes, derivation=4))
    assert was.standard_mm == pytest.approx(OWN * math.sqrt(2), rel=1e-5)


def test_a_range_that_is_not_measured_yet_says_what_is_left_out() -> None:
    """Before there are sizes nobody knows how far apart they are; with one master nothing is left out."""
    entry = replace(BORE, combine=Combine.RANGE, readings=2, nominal_mm=None, lower_mm=None)
    for masters, said in ((("small", "large"), True), (("small",), False)):
        made = stated(of_result(stated(of_reading(two(), entry, mastered(masters=masters))), entry))
        assert any("what two masters stretch" in note for note in made.assumed) is said


def test_a_taper_has_it_too() -> None:
    """A form's figures are differences as well."""
    at = on_both()
    cells = [Place(D("38.000"), depth_mm=D(2)), Place(D("38.100"), depth_mm=D(20))]
    members = [(member(mastered=at, value_mm=each.size_mm),) for each in cells]
    made = form_budgets(two(), BORE, cells, members)
    assert isinstance(made, dict)
    stretched = OF_EACH * math.sqrt(2) * 0.1 / float(LARGE - SMALL)
    assert made["taper"].standard_mm == pytest.approx(math.hypot(stretched, OWN * math.sqrt(2)), rel=1e-5)


def test_a_side_of_a_difference_counts_where_the_place_lies() -> None:
    """Not where each of its readings does: they are one size, their mean."""
    at, entry = on_both(), replace(BORE, combine=Combine.RANGE, nominal_mm=None, lower_mm=None)
    values, sizes = ("38.090", "38.110", "38.000", "38.000"), (D("38.100"), D("38.000"))
    members = tuple(member(mastered=at, value_mm=D(size)) for size in values)
    made = stated(result_budget(two(), entry, members, sizes))
    stretched = OF_EACH * math.sqrt(2) * 0.1 / float(LARGE - SMALL)
    assert made.standard_mm == pytest.approx(math.hypot(stretched, S, STEP / math.sqrt(6)), rel=1e-5)


def test_a_shared_certificate_counts_in_a_size_between_rings_and_in_no_difference() -> None:
    """Between them a shared error is whole in a size; how far it would cancel in a difference, nobody says."""
    at, entry = on_both(), replace(BORE, combine=Combine.RANGE, nominal_mm=None, lower_mm=None)
    sizes = (D("38.0026"), D("38.0014"))
    members = tuple(member(mastered=at, value_mm=size) for size in sizes)
    alone, shared = (
        stated(result_budget(rings, entry, members, sizes)) for rings in (two(), two(certificate="C"))
    )
    assert shared.standard_mm == alone.standard_mm
    assert not any("as at" in note for note in shared.assumed), "it is known where it counts"
    narrow = replace(BORE, lower_mm=sizes[1], upper_mm=sizes[0], nominal_mm=None)
    one, other = (
        stated(of_reading(rings, narrow, at)).standard_mm for rings in (two(), two(certificate="C"))
    )
    assert other > one


def test_readings_of_a_range_count_where_they_lie() -> None:
    """A range's limits are no size; before anything is measured, it is the rings' own size that is in question."""
    entry = replace(BORE, combine=Combine.RANGE, nominal_mm=None, lower_mm=None, upper_mm=D("0.010"))
    for value in ("38.002", "38.100"):
        made = stated(of_reading(two(), entry, on_both(), value_mm=D(value)))
        assert at_20(made) == pytest.approx(math.hypot(lever(float(value)), OWN), rel=1e-6)
    assert at_20(stated(of_reading(two(), entry, on_both()))) == pytest.approx(
        math.hypot(OF_EACH, OWN), rel=1e-6
    )


def test_a_mean_is_as_far_out_as_its_size() -> None:
    """What scatters shrinks, neither digits nor the lever: alone, in a result, and as one side of a difference."""
    own = math.hypot(S / math.sqrt(2), STEP / math.sqrt(12))
    expected = pytest.approx(math.hypot(lever(38.1), own), rel=1e-6)
    assert at_20(stated(of_reading(two(), at=on_both(), value_mm=D("38.100"), readings=2))) == expected
    side = of_reading(two(), at=on_both(), value_mm=D("38.100"), readings=2, in_difference=True)
    assert at_20(stated(side)) == expected
    assert not any("as at" in note for note in stated(side).assumed)
    members = (member(mastered=on_both(), value_mm=D("38.100")),) * 2
    result = result_budget(
        two(), replace(BORE, combine=Combine.MEAN, readings=2), members, (D("38.100"),) * 2
    )
    assert at_20(stated(result)) == expected


def test_one_master_cancels_in_a_difference_whole() -> None:
    """So a side of a difference has the budget of any reading: one and the same."""
    set_up, at = known(), mastered()
    alone, side = (
        of_reading(set_up, at=at, value_mm=D("38.010"), in_difference=differs) for differs in (False, True)
    )
    assert side is alone


def test_a_characteristic_without_a_size_has_no_budget() -> None:
    """Nothing says where the masters' errors would count."""
    entry = replace(BORE, nominal_mm=None, lower_mm=None, upper_mm=None)
    made = of_reading(two(), entry, on_both())
    assert not isinstance(made, Budget)
    assert made.reasons == ("the characteristic has no size",)


def test_what_is_read_counts_in_lengths() -> None:
    """Where two rings have it that a gauge shows half of what it moves, its digits and its scatter are twice as much.

    Against an independent library: a line through both rings, at the mean of two readings of each.
    """
    shown, sizes = (D("38.001"), D("38.002")), (SMALL, LARGE)
    at = mastered(masters=("small", "large"), cold=Line(shown, sizes, 1))
    read = [GTC.ureal(float(x), math.sqrt(S**2 / 2 + STEP**2 / 12)) for x in shown]
    rings = [GTC.ureal(float(size), U_RING) for size in sizes]
    now = GTC.ureal(38.008, OWN) + GTC.ureal(0, 0.0009 / math.sqrt(3))
    length = rings[0] + (rings[1] - rings[0]) * (now - read[0]) / (read[1] - read[0])
    assert GTC.value(length) == pytest.approx(38.015)
    station = two()
    gauges = {name: replace(each, maximum_error_mm=D("0.0009")) for name, each in station.gauges.items()}
    made = stated(
        of_reading(replace(station, gauges=gauges), replace(BORE, lower_mm=None, upper_mm=D("38.015")), at)
    )
    assert at_20(made) == pytest.approx(GTC.uncertainty(length), rel=1e-6)
    was = stated(of_reading(two(), at=at, derivation=4))
    assert at_20(was) == pytest.approx(math.hypot(lever(38), OWN), rel=1e-6)


@pytest.mark.parametrize(("second", "code"), [("38.0015", "accepted"), ("38.0014", "refused")])
def test_two_rings_that_show_the_same_give_no_scale(second: str, code: str) -> None:
    """The same ring read twice shows a digit or two more by chance, and a scale of fifty: five steps are the least."""
    hand = Hand(replace(two(), lot_checks=False))
    hand.do(BeginMastering("bore-1", ("small", "large"), ("R-1", "R-1"), readings=1))
    hand.show("38.0010")
    hand.show(second)
    mastering = hand.last(Kind.MASTERING)
    assert mastering.code == code
    assert any("less than 5 steps" in reason for reason in mastering.reasons or ()) is (code == "refused")


def test_rings_that_an_edit_makes_equal_have_no_scale() -> None:
    """A typing error in the station file ends no service at the next frame: the value is there, and why no more is."""
    hand = Hand(replace(two(), lot_checks=False))
    hand.do(BeginMastering("bore-1", ("small", "large"), ("R-1", "R-1"), readings=1))
    hand.show("38.0010")
    hand.show("38.0030")
    hand.check("38.0030", "large")
    masters = {name: replace(each, size_mm=SMALL) for name, each in hand.set_up.masters.items()}
    hand.load(replace(hand.set_up, masters=masters))
    reading = hand.show("38.0100")
    assert (reading.verdict, reading.value_mm) == ("not-judged", D("38.010000000"))
    said = "small and large have the same size by now: between them there is no scale to be found"
    assert reading.uncertainty_reasons == (said,)
    assert hand.check("38.0030", "large").uncertainty_reasons == (said,)


def test_two_rings_that_nearly_agree_prove_nothing_far_away() -> None:
    """A gauge that showed two rings 2 µm apart as 1 µm apart: what it makes of 38.013 mm is not proved in limits."""
    entry = replace(BORE, rule=parse_rule("guarded acceptance by factor 1.65"))
    hand = Hand(replace(two(), characteristics={"A": entry}, lot_checks=False))
    hand.do(BeginMastering("bore-1", ("small", "large"), ("R-1", "R-1"), readings=2))
    for digits in ("38.0010", "38.0010", "38.0020", "38.0020"):
        hand.show(digits)
    assert hand.last(Kind.MASTERING).code == "accepted"
    assert hand.check("38.0020", "large").code == "passed"
    reading = hand.show("38.0070")
    assert reading.value_mm == D("38.013000000")
    assert (reading.verdict, reading.decision, reading.conformity) == ("in-limits", "undecided", "neither")
    assert (reading.standard_uncertainty_mm or 0) > D("0.006")
