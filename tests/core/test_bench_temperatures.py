"""Whose temperature a thermometer tells: one gauge's or every one's, measured or standing in."""

from dataclasses import replace
from decimal import Decimal as D

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.state import Sourced
from gaugepost.core.bench.temperatures import fresh_thermometer, recorded, temperature_of
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Body, DeclaredTemperature, ThermometerEntry
from tests.core.station import AIR, GAUGE, Hand, set_up

OWN = ThermometerEntry(name="own", link="usb-7", body=Body.GAUGE, gauge="bore-1")
OTHERS = ThermometerEntry(name="others", link="usb-8", body=Body.GAUGE, gauge="bore-2")
EVERY = ThermometerEntry(name="every", link="usb-9", body=Body.GAUGE)


def bench(*thermometers: ThermometerEntry, celsius: tuple[str, ...]) -> Hand:
    """Return a bench with two gauges whose thermometers, in this order, show these temperatures."""
    gauges = {"bore-1": GAUGE, "bore-2": replace(GAUGE, name="bore-2", link="usb-2")}
    hand = Hand(set_up(gauges=gauges, thermometers={each.name: each for each in thermometers}))
    for each, shown in zip(thermometers, celsius, strict=True):
        hand.do(ev.LinkUp(each.link, "a port"))
        hand.warm(shown, each.name)
    return hand


def of(hand: Hand, gauge: str) -> Sourced | None:
    return temperature_of(hand.state, Body.GAUGE, gauge, hand.now)


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_a_gauges_own_thermometer_goes_before_one_for_all(order: tuple[int, ...]) -> None:
    """In whatever order the station file names them; one of another gauge says nothing of this one."""
    known = [(OWN, "21.00"), (OTHERS, "22.00"), (EVERY, "23.00")]
    thermometers, celsius = zip(*(known[at] for at in order), strict=True)
    hand = bench(*thermometers, celsius=celsius)
    assert of(hand, "bore-1") == Sourced(D("21.00"), "measured")
    assert of(hand, "bore-2") == Sourced(D("22.00"), "measured")
    for gauge, name in (("bore-1", "own"), ("bore-2", "others")):
        assert fresh_thermometer(hand.state, Body.GAUGE, gauge, hand.now) == name


def test_another_gauges_thermometer_is_not_taken() -> None:
    """Where this gauge has none of its own, nor one for all, its temperature is not known."""
    hand = bench(OTHERS, celsius=("22.00",))
    assert of(hand, "bore-1") is None
    assert fresh_thermometer(hand.state, Body.GAUGE, "bore-1", hand.now) is None
    assert of(hand, "bore-2") == Sourced(D("22.00"), "measured")


def test_what_stands_in_is_taken_last() -> None:
    """Air stands in for a gauge that has no thermometer of its own; what is then told is that this is assumed."""
    hand = bench(AIR, OTHERS, celsius=("24.00", "22.00"))
    assert of(hand, "bore-1") == Sourced(D("24.00"), "assumed")
    assert fresh_thermometer(hand.state, Body.GAUGE, "bore-1", hand.now) == "air"
    assert of(hand, "bore-2") == Sourced(D("22.00"), "measured")


def test_a_declared_temperature_is_no_thermometers() -> None:
    """Somebody vouches for it: it goes before what stands in, and there is no thermometer that it came from."""
    hand = Hand(
        set_up(thermometers={"air": AIR}, declared=(DeclaredTemperature(body=Body.GAUGE, celsius=D("20.5")),))
    )
    hand.warm("24.00")
    assert of(hand, "bore-1") == Sourced(D("20.5"), "declared")
    assert fresh_thermometer(hand.state, Body.GAUGE, "bore-1", hand.now) is None
    assert fresh_thermometer(hand.state, Body.PART, "bore-1", hand.now) == "air"


def test_a_clock_that_went_back_leaves_no_temperature() -> None:
    """After a start of the computer with the wall clock behind nobody knows how old what was shown is."""
    hand = Hand(set_up(thermometers={"air": AIR}))
    hand.warm("24.00")
    again = replace(hand.now, boot="boot-2", clock_ms=5)
    assert temperature_of(hand.state, Body.PART, "bore-1", again) is not None
    behind = replace(again, utc_ms=hand.now.utc_ms - 1)
    assert temperature_of(hand.state, Body.PART, "bore-1", behind) is None


def test_a_recorded_temperature_has_its_source() -> None:
    """A record that says the one without the other says nothing of a temperature."""
    record = Record(kind=Kind.READING, measured_at=0, clock_ms=0)
    both = replace(record, part_temperature_c=D(21), part_temperature_source="measured")
    assert recorded(both, Body.PART) == Sourced(D(21), "measured")
    assert recorded(replace(both, part_temperature_source=None), Body.PART) is None
    assert recorded(replace(both, part_temperature_c=None), Body.PART) is None
    assert recorded(both, Body.GAUGE) is None
