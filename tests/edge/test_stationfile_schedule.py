"""What the station file says of contact sets, scanned masters and a schedule of checks, and what it comes to."""

from __future__ import annotations

from pathlib import Path

import pytest

from gaugepost.commands.check import summary
from gaugepost.core.setup import Confirm, LotCheck
from gaugepost.edge.stationfile import StationFileError, read_station
from tests.edge.test_stationfile_fitness import COMPLETE, edited


def test_the_schedule_is_in_the_set_up() -> None:
    """Every key comes out in ms, pieces and minutes of the day, times of day in order."""
    set_up = read_station(COMPLETE).set_up
    gauge = set_up.gauges["bore-38"]
    assert (gauge.check_every_ms, gauge.check_every_pieces) == (7_200_000, 25)
    assert gauge.check_at_min == (360, 840, 1320)
    assert (gauge.warning_ms, gauge.warning_pieces) == (600_000, 3)
    assert gauge.contact_sets == ("A", "B")
    assert (set_up.lot_checks, set_up.lot_checks_asked) == (True, (LotCheck.OPENING, LotCheck.CLOSING))


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("true", (True, None)),
        ("false", (False, None)),
        ('["closing"]', (True, (LotCheck.CLOSING,))),
        ("[]", (False, ())),
    ],
)
def test_lot_checks(tmp_path: Path, said: str, meant: tuple[object, object]) -> None:
    """One check between lots, none, or one at each end that is named."""
    set_up = read_station(edited(tmp_path, ('["opening", "closing"]', said))).set_up
    assert (set_up.lot_checks, set_up.lot_checks_asked) == meant


def test_what_is_left_out_is_not_in_the_set_up(tmp_path: Path) -> None:
    """A station file without a schedule gives the set-up it always gave: nothing is journaled anew for it."""
    from gaugepost.core.setup import to_document

    document = to_document(read_station(COMPLETE.with_name("minimal.toml")).set_up)
    for key in ("check_every_ms", "check_at_min", "warning_ms", "contact_sets", "lot_checks_asked"):
        assert key not in document


def test_check_says_when_checks_are_due() -> None:
    """`gaugepost check` tells the schedule back as it will be."""
    told = "\n".join(summary(read_station(COMPLETE)))
    assert "checked to 2 µm every 2 h; at 06:00, 14:00, 22:00; every 25 pieces; after 200 readings" in told
    assert "contact set A or B" in told
    assert "lots: every gauge is checked at opening and closing" in told


@pytest.mark.parametrize(
    ("old", "new", "key", "said"),
    [
        ('"14:00", "22:00"]', '"06:00"]', "gauges.bore-38.check_at", "stands here twice"),
        ('"14:00", "22:00"]', '"24:00"]', "gauges.bore-38.check_at[1]", "is not a time of day"),
        ('"14:00", "22:00"]', "14:00:30]", "gauges.bore-38.check_at[1]", "is not a time of day"),
        ('"14:00", "22:00"]', '"2 pm"]', "gauges.bore-38.check_at[1]", "is not a time of day"),
        ('check_every = "2 h"', "check_every = 2", "gauges.bore-38.check_every", "bare number"),
        ("check_every_pieces = 25", "check_every_pieces = 0", "gauges.bore-38.check_every_pieces", "can't be taken"),
        ('["opening", "closing"]', '["openning"]', "station.lot_checks", "names no ends of a lot"),
        ('contact_sets = ["A", "B"]', 'contact_sets = ["A", "A"]', "gauges.bore-38.contact_sets[1]", "twice"),
        ('"SN {serial_number}"', '"SN {serial}"', "scanners.hand-scanner.codes[3]", "nothing that a code can say"),
        ('"SN {serial_number}"', '"{lot} {serial_number}"', "scanners.hand-scanner.codes[3]", "do not go together"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_found(tmp_path: Path, old: str, new: str, key: str, said: str) -> None:
    """Each finding names its key, what is wrong and what to write."""
    with pytest.raises(StationFileError) as raised:
        read_station(edited(tmp_path, (old, new)))
    (found,) = raised.value.findings
    assert found.key == key
    assert said in found.finding
    assert found.write or found.expected


def test_times_of_day_as_toml_writes_them(tmp_path: Path) -> None:
    """A time of day may stand without quotes, as TOML has it."""
    file = edited(tmp_path, ('"14:00", "22:00"]', "14:00:00]"))
    assert read_station(file).set_up.gauges["bore-38"].check_at_min == (360, 840)


def test_a_check_that_never_comes_first_is_warned_of(tmp_path: Path) -> None:
    """A check as seldom as the mastering counts anyway changes nothing."""
    station = read_station(edited(tmp_path, ('check_every = "2 h"', 'check_every = "8 h"')))
    (found,) = [each for each in station.findings if each.key == "gauges.bore-38.check_every"]
    assert "changes nothing" in found.finding


def test_scans_that_confirm_need_a_code(tmp_path: Path) -> None:
    """Where only a scan confirms a master, some scanner's codes must be able to name each of them."""
    by_scan = ('confirm_master = "serial-number"', 'confirm_master = "scan"')
    assert read_station(edited(tmp_path, by_scan)).set_up.gauges["bore-38"].confirm is Confirm.SCAN
    (tmp_path / "descriptions").unlink()
    with pytest.raises(StationFileError) as raised:
        read_station(edited(tmp_path, by_scan, (', "SN {serial_number}"', "")))
    (found,) = raised.value.findings
    assert "no scanner's codes can name" in found.finding
