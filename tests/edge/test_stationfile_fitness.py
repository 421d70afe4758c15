"""What `check` says of a gauge before anyone measures with it."""

from __future__ import annotations

from pathlib import Path

import pytest

from gaugepost.edge.stationfile import StationFileError, read_station

COMPLETE = Path(__file__).parents[2] / "deploy" / "stations" / "complete.toml"


def edited(folder: Path, *changes: tuple[str, str]) -> Path:
    """Return the complete example, in a folder with its descriptions, with some text replaced."""
    text = COMPLETE.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (folder / "descriptions").symlink_to(COMPLETE.parent / "descriptions")
    file = folder / "station.toml"
    file.write_text(text, encoding="utf-8")
    return file


@pytest.mark.parametrize(
    ("error", "said"),
    [
        ("6.5 µm", "U (k = 2) is more than a quarter of the tolerance"),
        ("1.9 µm", "U (k = 2) is more than a tenth of the tolerance"),
        ("20 µm", "not fit for this tolerance"),
    ],
)
def test_a_gauge_that_is_not_fit_is_warned_of(tmp_path: Path, error: str, said: str) -> None:
    """T/u below 20, 8 and 5 (U at k = 2 a tenth, a quarter: common practice, no source; 5: derived) is told apart."""
    station = read_station(edited(tmp_path, ('maximum_error = "1.2 µm"', f'maximum_error = "{error}"')))
    of_bore = [each for each in station.findings if each.key == "characteristics.pump-bore.gauges[0]"]
    (found,) = of_bore
    assert said in found.finding
    assert "maximum permissible error" in found.write


def test_a_drift_needs_the_day_it_counts_from(tmp_path: Path) -> None:
    """A drift per year without a calibration's day is an error that says what to add."""
    with pytest.raises(StationFileError) as raised:
        read_station(edited(tmp_path, ("calibrated = 2026-01-31\n", "")))
    (found,) = raised.value.findings
    assert found.key == "masters.ring-38.drift_per_year"
    assert "add calibrated" in found.write


def test_a_rule_without_an_uncertainty_to_come_is_warned_of(tmp_path: Path) -> None:
    """A guarded rule at a gauge that will state no uncertainty decides nothing: said before, not after the shift."""
    station = read_station(edited(tmp_path, ('uncertainty = "0.1 K"            # expanded, k = 2\n', "")))
    assert any("will state no uncertainty" in each.finding for each in station.findings)
