"""The budget that a station file promises before anybody masters or measures."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench.budgeting import Unstated
from gaugepost.core.bench.budgeting.expected import UNREPEATED
from gaugepost.core.setup import Body, DeclaredTemperature, ThermometerEntry
from gaugepost.core.uncertainty import Budget
from tests.core.test_budget_rules import expected, gauge, lines, resolutions, stated
from tests.core.test_uncertainty_gauging import KNOWN_RING, TWENTY, known


def meter(name: str, body: Body, **more: Any) -> ThermometerEntry:
    return ThermometerEntry(name=name, link="usb-9", body=body, uncertainty_k=D("0.4"), **more)


def test_before_anybody_measured_bodies_with_a_thermometer_are_at_20() -> None:
    """A thermometer on the body goes before what is declared, and that before one that stands in for it."""
    air = meter("air", Body.AIR, stands_in_for=(Body.PART, Body.GAUGE), spread_k=D(2))
    warm = tuple(replace(each, celsius=D(24)) for each in TWENTY)
    part = "temperature of the part"
    found = lines(expected(known(thermometers={"p": meter("p", Body.PART), "air": air}, declared=warm)))
    assert (found[part].value, found[part].standard) == (20.0, 0.2)
    assert f"{part}, spread" not in found
    assert found["temperature of the gauge, spread"].value == 24.0
    assert found["temperature of the gauge, spread"].standard == pytest.approx(0.5 / 3**0.5)
    found = lines(expected(known(thermometers={"air": air}, declared=warm[1:2])))
    assert (found[part].value, found[part].standard) == (20.0, 0.2)
    assert found[f"{part}, spread"].standard == pytest.approx(2 / 3**0.5)
    assert found["temperature of the master, spread"].value == 24.0
    assert not any("not corrected" in each for each in stated(expected(known())).assumed)


def test_a_thermometer_on_another_gauge_says_nothing_of_this_one() -> None:
    """Its own does, and one for every gauge."""
    bodies = TWENTY[:2]
    for of_gauge, is_measured in (("bore-1", True), (None, True), ("bore-2", False)):
        own = meter("t", Body.GAUGE, gauge=of_gauge)
        made = expected(known(thermometers={"t": own}, declared=bodies))
        assert isinstance(made, Budget) == is_measured
        warm = (*bodies, replace(TWENTY[2], celsius=D(24)))
        found = lines(expected(known(thermometers={"t": own}, declared=warm)))
        assert ("temperature of the gauge" in found) == is_measured
        assert ("temperature of the gauge, spread" in found) != is_measured


@pytest.mark.parametrize("body", [Body.PART, Body.MASTER, Body.GAUGE])
def test_a_body_without_a_temperature_is_not_expected_to_be_corrected(body: Body) -> None:
    """Before anybody measures, one temperature that will be missing leaves the whole expansion of each body."""
    air = DeclaredTemperature(body=Body.AIR, celsius=D(22), spread_k=D(3))
    others = tuple(each for each in TWENTY if each.body is not body)
    made = stated(expected(known(declared=(*others, air))))
    assert sum(each.quantity.startswith("uncorrected") for each in made.components) == 3
    assert made.assumed[0].startswith("not corrected")


def test_a_second_master_that_nobody_knows_the_growth_of_is_not_corrected_for() -> None:
    """Both masters' materials have to be known; with one of them the expansion counts whole."""
    other = replace(KNOWN_RING, name="ring-2", size_mm=D("38.05"), coefficient=None)
    for second, corrected in ((other, False), (replace(other, coefficient=D("11.5E-6")), True)):
        set_up = known(masters={"ring-1": KNOWN_RING, "ring-2": second})
        made = stated(expected(set_up, ("ring-1", "ring-2")))
        assert any("uncorrected" in each.quantity for each in made.components) != corrected


def test_a_gauge_whose_repeatability_nobody_declared_is_at_best_that_good() -> None:
    """Left out, and said first; the rest is what it is with a repeatability of 0, and its degrees do not count."""
    bare = gauge(known(), repeatability_mm=None, repeatability_degrees=5, resolution_mm=None)
    made, declared = stated(expected(bare)), stated(expected(gauge(bare, repeatability_mm=D(0))))
    assert made.assumed[0] == UNREPEATED
    assert UNREPEATED not in declared.assumed
    assert made.standard_mm == declared.standard_mm
    assert made.repeats_mm == 0
    assert made.degrees_of_freedom is None
    assert resolutions(made) == (0, 0), "the digits will say"
    assert isinstance(expected(gauge(known(declared=()), repeatability_mm=None)), Unstated)


def test_a_declared_step_is_expected_at_mastering_and_at_measuring() -> None:
    """A display that counts in fives does so both times."""
    made = expected(gauge(known(), resolution_mm=D("0.005")))
    assert resolutions(made) == pytest.approx((0.005, 0.005))


def test_more_readings_at_mastering_are_expected_to_help() -> None:
    """Mastered with five readings, its mean has a fifth of the variance."""
    line = lines(expected(gauge(known(), mastering_readings=5)))["mean of 5 readings at mastering"]
    assert line.standard == pytest.approx(0.0004 / 5**0.5)
