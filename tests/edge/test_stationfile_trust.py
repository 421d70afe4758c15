"""What the station file says of trust in a mastering, and of the form that a contact can see."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from gaugepost.core.quantity import Unit, to_mm
from gaugepost.core.setup import Confirm, PlaceEntry
from gaugepost.edge.stationfile import StationFileError, read_station
from tests.edge.test_stationfile_fitness import COMPLETE, edited


def test_everything_said_of_masterings_is_in_the_set_up() -> None:
    """Each key comes out in mm, K and ms, as the bench takes it; a place that is only a name stays one."""
    set_up = read_station(COMPLETE).set_up
    gauge = set_up.gauges["bore-38"]
    assert (gauge.soak_k, gauge.soak_window_ms, gauge.drifting_refused) == (Decimal("0.3"), 600_000, True)
    assert (gauge.spread_limit_mm, gauge.jump_limit_mm, gauge.reach_mm) == (
        Decimal("0.002"), Decimal("0.010"), Decimal(5),
    )  # fmt: skip
    assert (gauge.confirm, gauge.compare_masters) == (Confirm.SERIAL_NUMBER, True)
    bore = set_up.characteristics["pump-bore"]
    assert bore.positions == ("top", "middle", "bottom")
    assert bore.places == {
        "top": PlaceEntry(angle_deg=Decimal(0), depth_mm=Decimal(2)),
        "middle": PlaceEntry(depth_mm=Decimal(20)),
    }
    assert bore.lobes == 3
    assert set_up.masters["ring-40-shop"].half_tolerance_mm == to_mm(Decimal(20), Unit.MICROINCH)


@pytest.mark.parametrize(
    ("old", "new", "key", "said"),
    [
        ('size = "40 mm"\ntol', 'size = "400 mm"\ntol', "masters.ring-40-shop.tolerance_class", "no class reaches"),
        ('tolerance_class = "XX"', 'uncertainty = "1 µm"\ncoverage_factor = 2\ntolerance_class = "XX"',
         "masters.ring-40-shop.tolerance_class", "its uncertainty is given"),
        ('mastering_soak_window = "10 min"', 'mastering_soak_window = "61 min"',
         "gauges.bore-38.mastering_soak_window", "longer than temperatures are kept"),
        ('depth = "20 mm" }, "bottom"]', 'depth = "20 mm" }, "top"]',
         "characteristics.pump-bore.positions[2]", "stands here twice"),
        ('serial_number = "PB2-R40-11"\n', "", "masters.ring-40-shop", "this one has none"),
    ],
)  # fmt: skip
def test_what_proves_nothing_is_an_error(tmp_path: Path, old: str, new: str, key: str, said: str) -> None:
    """Classes out of reach or beside a certificate, a window too long, a place named twice, no serial number."""
    with pytest.raises(StationFileError) as raised:
        read_station(edited(tmp_path, (old, new)))
    (found,) = raised.value.findings
    assert found.key == key
    assert said in found.finding
    assert found.write


def test_two_masters_are_needed_to_confirm_one(tmp_path: Path) -> None:
    """With one master alone a second one can confirm nothing."""
    text = COMPLETE.with_name("minimal.toml").read_text(encoding="utf-8")
    assert text.count("[masters.") == 1
    header = next(line for line in text.splitlines() if line.startswith("[gauges."))
    file = tmp_path / "station.toml"
    file.write_text(text.replace(header, header + '\nconfirm_master = "second-master"'), encoding="utf-8")
    with pytest.raises(StationFileError, match="fewer than two"):
        read_station(file)


@pytest.mark.parametrize(("contact", "lobes", "warned"), [
    ("three-point", 2, True), ("three-point", 3, False), ("three-point", 5, True),
    ("two-point", 2, False), ("two-point", 3, True), ("two-point", 4, False), ("single", 2, True),
])  # fmt: skip
def test_a_contact_that_cannot_see_the_form_is_warned_of(
    tmp_path: Path, contact: str, lobes: int, warned: bool
) -> None:
    """J. JSPE 43-514 (1977) 1167: ovals hide from three contacts at 120°, three lobes from two, five from both."""
    file = edited(
        tmp_path, ('contact = "three-point"', f'contact = "{contact}"'), ("lobes = 3 ", f"lobes = {lobes} ")
    )
    findings = [each.finding for each in read_station(file).findings]
    assert any(f"can't see {lobes} lobes" in each for each in findings) == warned


def test_a_requirement_that_is_not_judged_is_said_so(tmp_path: Path) -> None:
    """The envelope requirement (ISO 14405-1) is on the drawing; check says that sizes alone do not prove it."""
    station = read_station(edited(tmp_path, ("# requirements = ", "requirements = ")))
    assert station.set_up.characteristics["pump-bore"].not_judged == ("envelope",)
    assert any("the envelope requirement is not judged here" in each.finding for each in station.findings)


@pytest.mark.parametrize("combine", ["median", "mid-range", "range"])
def test_a_way_to_combine_that_is_none_is_told(tmp_path: Path, combine: str) -> None:
    """What can't be combined here is a finding that names what can, never a crash."""
    with pytest.raises(StationFileError, match="combine"):
        read_station(edited(tmp_path, ('combine = "mean"\npositions', f'combine = "{combine}"\npositions')))
