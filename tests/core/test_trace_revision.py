"""What is known today to have been otherwise: what a set-up and a temperature come to under it, and its words."""

from dataclasses import replace
from decimal import Decimal as D

import pytest

from gaugepost.core.bench.tracing.revision import Revision, revision_of
from gaugepost.core.errors import ValueRefused
from gaugepost.core.setup import MasterEntry
from tests.core.station import RING, set_up

BARE = MasterEntry(name="ring-1", size_mm=D("38.0012"))
STATED = replace(BARE, uncertainty_mm=D("0.0008"), coverage_factor=D(3))


@pytest.mark.parametrize(
    ("entry", "keys", "size", "uncertainty", "factor"),
    [
        (BARE, {"size": "38.0009"}, "38.0009", None, None),
        (BARE, {"uncertainty": "0.0006"}, "38.0012", "0.0006", "2"),
        (BARE, {"uncertainty": "0.0006", "coverage_factor": "2.1"}, "38.0012", "0.0006", "2.1"),
        (BARE, {"coverage_factor": "2.1"}, "38.0012", None, "2.1"),
        (STATED, {"size": "38.0009"}, "38.0009", "0.0008", "3"),
        (STATED, {"uncertainty": "0.0006"}, "38.0012", "0.0006", "3"),
        (STATED, {"coverage_factor": "2.1"}, "38.0012", "0.0008", "2.1"),
    ],
)
def test_what_a_certificate_corrects(
    entry: MasterEntry, keys: dict[str, str], size: str, uncertainty: str | None, factor: str | None
) -> None:
    """Each key that is said counts, every other stays; an uncertainty without any factor is one for k = 2."""
    corrected = Revision({"ring-1": {key: D(value) for key, value in keys.items()}})
    made = corrected.of(set_up(masters={"ring-1": entry})).masters["ring-1"]
    wanted = (D(size), uncertainty and D(uncertainty), factor and D(factor))
    assert (made.size_mm, made.uncertainty_mm, made.coverage_factor) == wanted
    assert replace(made, size_mm=entry.size_mm, uncertainty_mm=None, coverage_factor=None) == BARE


def test_every_other_master_stays_as_it_is() -> None:
    """A correction of one ring is none of another; one of a ring that the set-up does not have changes nothing."""
    station = set_up(masters={"ring-1": RING, "ring-2": replace(RING, name="ring-2")})
    made = Revision({"ring-1": {"size": D("38.0009")}}).of(station)
    assert made.masters["ring-2"] == station.masters["ring-2"]
    assert made == replace(
        station, masters={**station.masters, "ring-1": replace(RING, size_mm=D("38.0009"))}
    )
    assert Revision({"ring-9": {"size": D(38)}}).of(station) == station


def test_a_thermometer_that_is_not_corrected_showed_what_it_showed() -> None:
    """A correction is added to what its own thermometer showed, and to no other's."""
    corrected = Revision(thermometers={"air": D("-0.3")})
    assert (corrected.celsius(D("22.5"), "air"), corrected.celsius(D("22.5"), "probe")) == (
        D("22.2"),
        D("22.5"),
    )


@pytest.mark.parametrize(
    "text",
    [
        "masters.ring-1.size = 38.0009",
        "masters.ring-1.size = 38.0009 in",
        "masters.ring-1.uncertainty = 0.0006 K",
        "masters.ring-1.coverage_factor = 2 mm",
        "masters.ring-1.correction = 0.3 K",
        "thermometers.air.size = 38 mm",
        "thermometers.air.correction = 0.3 mm",
        "gauges.bore-1.size = 38 mm",
        "masters..size = 38 mm",
        "thermometers.correction = 0.3 K",
        "masters.ring-1.size",
        "masters.ring-1.size = big mm",
        "",
    ],
)
def test_what_corrects_nothing_is_refused(text: str) -> None:
    """Whose value it is, which, and in the unit that records keep it in: anything else is told, not passed over."""
    assert revision_of(["masters.ring-1.coverage_factor = 2"]) == Revision(
        {"ring-1": {"coverage_factor": D(2)}}
    )
    with pytest.raises(ValueRefused) as refused:
        revision_of(["masters.ring-1.coverage_factor = 2", text])
    assert refused.value.hint
