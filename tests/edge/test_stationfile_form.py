"""What the station file says of places and of several readings: warned of where it shows less than is hoped for."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from gaugepost.edge.stationfile import StationFileError, read_station
from tests.edge.test_stationfile_fitness import edited

TOP, MIDDLE, BOTTOM = (
    '{ name = "top", angle = "0°", depth = "2 mm" }',
    '{ name = "middle", depth = "20 mm" }',
    '"bottom"',
)
TWO_POINT = ('contact = "three-point"', 'contact = "two-point"')


def places(*told: tuple[int, int]) -> str:
    """Places with an angle and a depth each."""
    named = (
        f'{{ name = "p{at}", angle = "{angle}°", depth = "{depth} mm" }}'
        for at, (angle, depth) in enumerate(told)
    )
    return f"[{', '.join(named)}]"


@pytest.mark.parametrize(
    ("positions", "contact", "key", "said"),
    [
        (places((0, 2), (60, 2), (120, 2)), None, "gauges[0]", "can't see an oval: angles of places show no ovality"),
        (places((0, 2), (90, 2)), TWO_POINT, "positions", "2 directions show as little as 0% of an oval"),
        (places((0, 2), (180, 2), (90, 2)), TWO_POINT, "positions", "2 directions show as little as 0% of an oval"),
        (places((0, 2)), None, "positions", "show no form"),
    ],
)  # fmt: skip
def test_places_that_show_less_than_is_hoped_for(
    tmp_path: Path, positions: str, contact: tuple[str, str] | None, key: str, said: str
) -> None:
    """A contact or directions that can't show an oval, and places that show no form at all, are warned of."""
    old = f"positions = [{TOP}, {MIDDLE}, {BOTTOM}]"
    changes = [(old, f"positions = {positions}"), *([contact] if contact else [])]
    findings = read_station(edited(tmp_path, *changes)).findings
    assert [f.key for f in findings if said in f.finding] == [f"characteristics.pump-bore.{key}"]


def test_places_that_show_the_form_are_not_warned_of(tmp_path: Path) -> None:
    """Three directions of a two-point gauge, and two depths of any, are as they should be."""
    old = f"positions = [{TOP}, {MIDDLE}, {BOTTOM}]"
    new = places((0, 2), (60, 2), (120, 2), (0, 20))
    findings = read_station(edited(tmp_path, (old, f"positions = {new}"), TWO_POINT)).findings
    assert not [f for f in findings if "oval" in f.finding or "show no form" in f.finding]


SEAT = 'combine = "mean"\npositions = ["0°", "60°", "120°"]\nsize_modifier = "SA"'


@pytest.mark.parametrize(
    ("combine", "modifier"), [("largest", "SX"), ("smallest", "SN"), ("median", "SM"), ("mid-range", "SD")]
)
def test_rank_order_sizes_where_the_drawing_says_so(tmp_path: Path, combine: str, modifier: str) -> None:
    """Each way to combine places has its modifier (ISO 14405-1, from memory), and no other goes with it."""
    new = SEAT.replace("mean", combine).replace("SA", modifier)
    entry = read_station(edited(tmp_path, (SEAT, new))).set_up.characteristics["seal-seat"]
    assert (entry.combine.value, entry.size_modifier) == (combine, modifier)


@pytest.mark.parametrize(
    ("new", "said", "write"),
    [
        (SEAT.replace("mean", "median"), 'SA does not go with combine = "median"', 'write size_modifier = "SM"'),
        (SEAT.replace("mean", "range").replace("SA", "SR"), "a range of sizes has an upper limit and nothing else",
         'write upper = "0.005 mm"'),
    ],
)  # fmt: skip
def test_what_does_not_go_together(tmp_path: Path, new: str, said: str, write: str) -> None:
    """A modifier of another size, and limits of a size for a range of sizes, are refused with what to write."""
    with pytest.raises(StationFileError) as error:
        read_station(edited(tmp_path, (SEAT, new)))
    found = [finding for finding in error.value.findings if said in finding.finding]
    assert [finding.write.startswith(write) for finding in found] == [True]


def test_a_range_of_sizes_has_an_upper_limit(tmp_path: Path) -> None:
    """That limit is no size: no gauge has to reach it, and nothing is said of its tolerance."""
    limits = 'nominal = "62 mm"\nupper_deviation = "+46 µm"\nlower_deviation = "0 µm"\n'
    rule = 'decision_rule = "guarded acceptance by conformance probability 95 %"   # or "by expanded uncertainty"'
    new = SEAT.replace("mean", "range").replace("SA", "SR")
    file = edited(tmp_path, (limits, 'upper = "0.005 mm"\n'), (rule, ""), (SEAT, new))
    station = read_station(file)
    entry = station.set_up.characteristics["seal-seat"]
    assert (entry.lower_mm, entry.upper_mm, entry.combine.value) == (None, Decimal("0.005"), "range")
    assert not [f for f in station.findings if "seal-seat" in f.key and "size range" in f.finding]
