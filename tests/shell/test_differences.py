"""What is otherwise in a station file, and what of it a station at work can take."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest

from gaugepost.edge.stationfile import Station, read_station
from gaugepost.shell.parts.differences import FIXED, TAKEN, differences, fixed

COMPLETE = Path(__file__).parents[2] / "deploy" / "stations" / "complete.toml"


def test_each_part_of_a_station_is_taken_or_refused() -> None:
    """A field that comes to `Station` is decided upon: nothing is left as it was without a word."""
    assert {field.name for field in dataclasses.fields(Station)} == FIXED.keys() | TAKEN
    assert not FIXED.keys() & TAKEN


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("[characteristics.pump-bore]", "[characteristics.other-bore]", "added, pump-bore removed"),
        ('name = "pump-bench-2"', 'name = "pump-bench-3"', "station.name"),
    ],
)
def test_differences_are_told(old: str, new: str, said: str) -> None:
    """By part, what came, what went, and what needs another start."""
    text = COMPLETE.read_text(encoding="utf-8")
    was = read_station(COMPLETE, text=text)
    assert differences(was, was) == ()
    assert fixed(was, was) == []
    assert old in text
    changed = read_station(COMPLETE, text=text.replace(old, new))
    told: list[Any] = [*differences(was, changed), *fixed(was, changed)]
    assert any(said in each for each in told), told
