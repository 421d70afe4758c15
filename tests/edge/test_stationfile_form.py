"""What the station file says of places and of several readings: warned of where it shows less than is hoped for."""

from __future__ import annotations

from pathlib import Path

import pytest

from gaugepost.edge.stationfile import read_station
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
