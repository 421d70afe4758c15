"""A station file names decision rules: for one characteristic, or for the whole station."""

from decimal import Decimal as D
from pathlib import Path

import pytest

from gaugepost.core.setup import CharacteristicEntry, from_document, to_document
from gaugepost.edge.stationfile import StationFileError, read_station

STATION = """\
[station]
name = "valve-bench"
time_zone = "Europe/Berlin"
{station}

[links.port]
kind = "serial_port"
device = "/dev/ttyUSB0"

[links.port.decoder]
kind = "delimited_text"
pattern = "{{value}}"
unit = "mm"

[gauges.bore-25]
link = "port"
contact = "three-point"
display = "absolute"
check_limit = "1 µm"

[masters.ring-25]
size = "25.0008 mm"
uncertainty = "0.5 µm"
coverage_factor = 2
due = 2099-03-31

[characteristics.seat]
feature = "bore"
limits = {limits}
gauges = ["bore-25"]
masters = ["ring-25"]
{characteristic}
"""


def seat(
    folder: Path, station: str = "", characteristic: str = "", limits: str = '"25 H7"'
) -> CharacteristicEntry:
    """Return the characteristic as the bench gets it, by way of the journal."""
    file = folder / "bench.toml"
    file.write_text(
        STATION.format(station=station, characteristic=characteristic, limits=limits), encoding="utf-8"
    )
    return from_document(to_document(read_station(file).set_up)).characteristics["seat"]


@pytest.mark.parametrize(
    ("said", "rule"),
    [
        ("simple acceptance", "simple acceptance"),
        ("guarded acceptance by factor", "guarded acceptance by factor 1.65"),
        ("guarded acceptance by factor 2", "guarded acceptance by factor 2"),
        ("guarded acceptance  by factor, 1.28", "guarded acceptance by factor 1.28"),
        (
            "guarded acceptance by conformance probability",
            "guarded acceptance by conformance probability 0.95",
        ),
        (
            "guarded rejection by conformance probability 99 %",
            "guarded rejection by conformance probability 0.99",
        ),
        (
            "guarded rejection by conformance probability 0.9",
            "guarded rejection by conformance probability 0.9",
        ),
        ("guarded acceptance by expanded uncertainty", "guarded acceptance by expanded uncertainty 1"),
        ("guarded rejection by expanded uncertainty 0.5", "guarded rejection by expanded uncertainty 0.5"),
        ("guarded rejection by factor 10", "guarded rejection by factor 10"),
    ],
)
def test_a_rule_is_named_with_its_number_or_has_the_standards(tmp_path: Path, said: str, rule: str) -> None:
    """Without a number a rule has that of ISO 14253-1 (1.65, 95 %) or JCGM 106 (U); both places can name it."""
    assert str(seat(tmp_path, characteristic=f'decision_rule = "{said}"').rule) == rule
    assert str(seat(tmp_path, station=f'decision_rule = "{said}"').rule) == rule


def test_a_characteristics_rule_comes_before_the_stations(tmp_path: Path) -> None:
    """What a characteristic says counts, then what the station says, then simple acceptance."""
    station = 'decision_rule = "guarded acceptance by factor"'
    own = seat(tmp_path, station, 'decision_rule = "simple acceptance"')
    assert str(own.rule) == str(seat(tmp_path).rule) == "simple acceptance"


@pytest.mark.parametrize(
    ("said", "finding"),
    [
        ("guarded acceptance", "'guarded acceptance' is not a decision rule; write"),
        (
            "guarded acceptance by guess",
            'write "simple acceptance", or "guarded acceptance" or "guarded rejec',
        ),
        ("simple acceptance 2", 'simple acceptance has no number; write "simple acceptance" alone'),
        (
            "guarded acceptance by factor 0",
            "0 is no width of a guard band; write a number above 0 and at most 10",
        ),
        ("guarded acceptance by factor 95 %", "has a percentage, and guarded acceptance by factor has none"),
        ("guarded acceptance by factor 1_0", "'1_0' is not a plain number"),
        (
            "guarded acceptance by conformance probability 95",
            "95 proves nothing, or can't be reached; write a prob",
        ),
        ("guarded acceptance by conformance probability 50 %", "0.50 proves nothing"),
        ("guarded acceptance by conformance probability 100 %", "1.00 proves nothing, or can't be reached"),
        ("guarded rejection by expanded uncertainty 11", '"guarded rejection by expanded uncertainty 1"'),
    ],
)
@pytest.mark.parametrize("where", ["station", "characteristic"])
def test_what_is_no_rule_is_said_with_what_to_write(
    tmp_path: Path, said: str, finding: str, where: str
) -> None:
    """A rule that does not exist, or can't have its number, is an error at its line that shows one that can."""
    with pytest.raises(StationFileError) as caught:
        seat(tmp_path, **{where: f'decision_rule = "{said}"'})
    (found,) = caught.value.findings
    path = "station" if where == "station" else "characteristics.seat"
    assert f"{path}.decision_rule: " in str(found)
    assert finding in str(found)


@pytest.mark.parametrize(
    ("limits", "step"),
    [('"25 H7"', "0.001"), ('"0.9843..0.9850 in"', "0.0001"), ('"25.0..25.02 mm"', "0.01")],
)
def test_rounding_is_to_the_limits_last_digit(tmp_path: Path, limits: str, step: str) -> None:
    """ASTM E29 rounds to the last digit that the limits are written to, whatever values are displayed to."""
    entry = seat(tmp_path, characteristic='rounding = true\nstep = "0.00002 mm"', limits=limits)
    assert entry.rounding == D(step)
    assert seat(tmp_path).rounding is None


def test_rounding_of_the_station_goes_where_nothing_else_is_said(tmp_path: Path) -> None:
    """It holds for what simple acceptance decides; a characteristic may say otherwise, guarded rules are left alone."""
    assert seat(tmp_path, station="rounding = true").rounding == D("0.001")
    assert seat(tmp_path, station="rounding = true", characteristic="rounding = false").rounding is None
    guarded = 'decision_rule = "guarded acceptance by factor"'
    assert seat(tmp_path, station="rounding = true", characteristic=guarded).rounding is None
    assert seat(tmp_path, station="rounding = false", characteristic="rounding = true").rounding == D("0.001")


@pytest.mark.parametrize("where", ["station", "characteristic"])
def test_rounding_goes_with_simple_acceptance_only(tmp_path: Path, where: str) -> None:
    """A value that is rounded first would use up part of its guard band."""
    said = {"characteristic": "rounding = true\n", "station": ""}
    said[where] += 'decision_rule = "guarded acceptance by factor"'
    with pytest.raises(StationFileError) as caught:
        seat(tmp_path, **said)
    (found,) = caught.value.findings
    assert "seat.rounding: does not go with guarded acceptance by factor" in str(found)
    assert 'write decision_rule = "simple acceptance"' in str(found).replace("or write", "write")
