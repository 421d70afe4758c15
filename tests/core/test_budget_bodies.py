"""How warm part, master and gauge are taken to be, how they grow, and how well both are known."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench.budgeting.bodies import coefficient_of, warmth_of
from gaugepost.core.bench.state import Sourced
from gaugepost.core.setup import Body, DeclaredTemperature, SetUp, ThermometerEntry
from gaugepost.core.uncertainty.gauging import Coefficient, Warmth
from tests.core.station import BORE, GAUGE, RING, set_up


def meter(name: str, body: Body, uncertainty: str | None = None, **more: Any) -> ThermometerEntry:
    known = None if uncertainty is None else D(uncertainty)
    return ThermometerEntry(name=name, link="usb-9", body=body, uncertainty_k=known, **more)


def station(*meters: ThermometerEntry, declared: tuple[DeclaredTemperature, ...] = ()) -> SetUp:
    return set_up(thermometers={each.name: each for each in meters}, declared=declared)


@pytest.mark.parametrize(
    ("coefficient", "half_width"),
    [
        ("11.5E-6", 1e-6),
        ("0.0000115", 1e-6),
        ("23.6E-6", 2.36e-6),
        ("17.2E-6", 1.72e-6),
        ("1.6E-6", 0.16e-6),
        ("-0.5E-6", 0.05e-6),
    ],
)
def test_handbooks_values_are_as_good_as_handbooks_are(coefficient: str, half_width: float) -> None:
    """Gauge steel to ±1e-6/K, any other material to ±10 % of it (common practice, no source), rising or falling."""
    for entry in (GAUGE, RING, BORE):
        found = coefficient_of(replace(entry, coefficient=D(coefficient)))
        assert found is not None
        assert found.value == pytest.approx(float(coefficient))
        assert found.half_width == pytest.approx(half_width)
        assert found.is_handbooks


def test_a_declared_half_width_is_the_pieces_own() -> None:
    """What somebody determined for the piece is neither a handbook's nor shared with other pieces; 0 is exact."""
    for said in ("0.3E-6", "0"):
        found = coefficient_of(replace(RING, coefficient_half_width=D(said)))
        assert found == Coefficient(value=11.5e-6, half_width=float(said), is_handbooks=False)
    assert coefficient_of(replace(RING, coefficient=None, coefficient_half_width=D("1E-6"))) is None


PART_AND_GAUGE = (
    DeclaredTemperature(body=Body.GAUGE, celsius=D(21), spread_k=D("0.7")),
    DeclaredTemperature(body=Body.PART, celsius=D(22), spread_k=D("1.5")),
)


def test_a_declared_temperature_has_its_own_spread() -> None:
    """Each body's is as far off as is declared of it, not of another; without a spread it says what to add."""
    known = station(declared=PART_AND_GAUGE)
    part = warmth_of(known, Body.PART, "bore-1", Sourced(D(22), "declared"))
    assert part == Warmth(celsius=22.0, spread_k=1.5, source="declared")
    gauge = warmth_of(known, Body.GAUGE, "bore-1", Sourced(D(21), "declared"))
    assert gauge == Warmth(celsius=21.0, spread_k=0.7, source="declared")
    bare = station(declared=(replace(PART_AND_GAUGE[1], spread_k=None), PART_AND_GAUGE[0]))
    for body, lacking in ((Body.PART, bare), (Body.MASTER, known)):
        said = warmth_of(lacking, body, "bore-1", Sourced(D(22), "declared"))
        assert isinstance(said, str)
        assert f"add spread to temperatures.{body}" in said


def test_a_measured_temperature_is_as_good_as_its_thermometer() -> None:
    """A thermometer with U = 0.2 K at k = 2 has u = 0.1 K; nothing spreads, since it is on the body."""
    known = station(meter("part-1", Body.PART, "0.2"), meter("air", Body.AIR, "3", spread_k=D(2)))
    found = warmth_of(known, Body.PART, "bore-1", Sourced(D("23.4"), "measured"))
    assert found == Warmth(celsius=23.4, standard_k=0.1, thermometer="part-1", source="measured by part-1")


def test_which_thermometer_it_was_nobody_kept_so_the_worse_counts() -> None:
    """Of two on the part the less certain sets u; one of which nothing is said leaves none, and it is named."""
    two = (meter("part-1", Body.PART, "0.2"), meter("part-2", Body.PART, "0.6"))
    for order in (two, two[::-1]):
        found = warmth_of(station(*order), Body.PART, "bore-1", Sourced(D(23), "measured"))
        assert isinstance(found, Warmth)
        assert found.standard_k == pytest.approx(0.3)
    said = warmth_of(
        station(two[0], replace(two[1], uncertainty_k=None)), Body.PART, "bore-1", Sourced(D(23), "measured")
    )
    assert said == "nothing says how far part-2 may be off: add uncertainty to it"
    said = warmth_of(station(), Body.PART, "bore-1", Sourced(D(23), "measured"))
    assert said == "nothing says how far a thermometer may be off: add uncertainty to it", (
        "it is no more there"
    )


def test_a_gauges_own_thermometer_comes_before_one_for_all() -> None:
    """One that is on another gauge says nothing of this one; one for every gauge does, where it has none of its own."""
    own, others, common = (
        meter(name, Body.GAUGE, u, gauge=gauge)
        for name, u, gauge in (("own", "0.2", "bore-1"), ("others", "2", "bore-2"), ("common", "1", None))
    )

    def found(*meters: ThermometerEntry) -> Warmth | str:
        return warmth_of(station(*meters), Body.GAUGE, "bore-1", Sourced(D(23), "measured"))

    def standard(*meters: ThermometerEntry) -> float:
        made = found(*meters)
        assert isinstance(made, Warmth)
        return made.standard_k

    assert standard(common, others, own) == pytest.approx(0.1)
    assert standard(others, common) == pytest.approx(0.5)
    assert isinstance(found(others), str)


STANDS_IN = (Body.PART, Body.MASTER)


def test_an_assumed_temperature_spreads_beside_its_thermometers_uncertainty() -> None:
    """The air's thermometer has its own u, and the body may be as far from the air as is declared of it."""
    air = meter("air", Body.AIR, "0.4", stands_in_for=STANDS_IN, spread_k=D("1.5"))
    on_part = meter("part-1", Body.PART, "9")  # has shown nothing
    found = warmth_of(station(on_part, air), Body.PART, "bore-1", Sourced(D(22), "assumed"))
    assert found == Warmth(
        celsius=22.0,
        spread_k=1.5,
        standard_k=0.2,
        thermometer="air",
        source="assumed from air",
    )
    bare = warmth_of(
        station(replace(air, uncertainty_k=None)), Body.PART, "bore-1", Sourced(D(22), "assumed")
    )
    assert isinstance(bare, Warmth)
    assert (bare.spread_k, bare.standard_k) == (1.5, 0.0), (
        "how far the body may be off has the thermometer in it"
    )


def test_of_thermometers_that_stand_in_the_worst_counts() -> None:
    """Which of two it was is not kept; one that stands in for another body says nothing, nor one without a spread."""
    near = meter("near", Body.AIR, "0.2", stands_in_for=STANDS_IN, spread_k=D("0.5"))
    far = meter("far", Body.AIR, "0.6", stands_in_for=STANDS_IN, spread_k=D(2))
    other = meter("other", Body.AIR, "7", stands_in_for=(Body.GAUGE,), spread_k=D(9))
    for order in ((near, far, other), (far, near, other)):
        found = warmth_of(station(*order), Body.PART, "bore-1", Sourced(D(22), "assumed"))
        assert isinstance(found, Warmth)
        assert (found.spread_k, found.standard_k) == (2.0, 0.3)
    for meters in ((replace(near, spread_k=None),), (other,), ()):
        said = warmth_of(station(*meters), Body.PART, "bore-1", Sourced(D(22), "assumed"))
        assert said == "the part's temperature is assumed without a spread"


def test_where_nothing_is_known_the_declared_air_says_how_far_it_is_off() -> None:
    """A body of no temperature is taken as the air, with the air's spread; without one it says what to declare."""
    air = DeclaredTemperature(body=Body.AIR, celsius=D(24), spread_k=D(3))
    known = station(declared=(*PART_AND_GAUGE, air))
    found = warmth_of(known, Body.MASTER, "bore-1", None)
    assert found == Warmth(celsius=24.0, spread_k=3.0, source="declared air")
    for declared in (PART_AND_GAUGE, (replace(air, spread_k=None),)):
        said = warmth_of(station(declared=declared), Body.MASTER, "bore-1", None)
        assert isinstance(said, str)
        assert "temperatures.master or temperatures.air" in said
