"""The disk's room is known before it is gone, and said to whoever can do something about it."""

from __future__ import annotations

import json
import os
import time
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, strategies as st

from gaugepost.cli import main
from gaugepost.edge.journal import Journal, Reader
from gaugepost.edge.journal.room import DAY_MS, Room, forecast, look, look_at, rate, size_text
from gaugepost.shell import room as watching
from gaugepost.shell.room import RoomWatch
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.edge.readings import reading

GB = 10**9


def test_the_forecast_is_what_is_left_over_what_is_used() -> None:
    """Worked by hand: 12 GB above the floor at 40 MB a day last 300 days."""
    assert forecast(14 * GB, 2 * GB, 40e6) == 300
    assert forecast(2 * GB, 2 * GB, 40e6) == 0
    assert forecast(1 * GB, 2 * GB, None) == 0
    assert forecast(14 * GB, 2 * GB, None) is None
    assert forecast(14 * GB, 2 * GB, 0) is None


@given(st.integers(0, 10**13), st.integers(0, 10**12), st.floats(1, 1e12))
def test_less_room_or_more_use_is_never_later(free: int, floor: int, day_bytes: float) -> None:
    """A forecast only gets shorter with a fuller disk, a higher floor or a higher rate."""
    days = forecast(free, floor, day_bytes)
    assert days is not None
    for sooner in (
        forecast(free // 2, floor, day_bytes),
        forecast(free, floor * 2 + 1, day_bytes),
        forecast(free, floor, day_bytes * 2),
    ):
        assert sooner is not None
        assert 0 <= sooner <= days


def test_a_rate_is_of_at_least_a_day() -> None:
    """86,400 records of 350 bytes in ten days are 3 MB a day; those of an hour say nothing of a month."""
    assert rate(86_400, 10 * DAY_MS, 350) == pytest.approx(8640 * 350)
    assert rate(86_400, DAY_MS // 24, 350) is None


def test_it_is_said_in_words() -> None:
    """Days while they can be pictured, then years; and a warning only where it is due."""
    assert Room(14 * GB, 2 * GB, 40e6).told() == (
        "14.0 GB free, floor 2.0 GB; at 40.0 MB a day it is reached in 300 days"
    )
    assert Room(77 * GB, 2 * GB, 40e6).told().endswith("reached in 5 years")
    assert Room(77 * GB, 2 * GB, 1e3).told().endswith("more than 100 years")
    assert Room(77 * GB, 2 * GB, None).told().endswith("too young for a forecast")
    assert Room(14 * GB, 2 * GB, 40e6).warning(60 * DAY_MS) == ""
    assert "in 50 days at the present rate: move" in Room(4 * GB, 2 * GB, 40e6).warning(60 * DAY_MS)
    assert "less than the floor of 2.0 GB" in Room(1 * GB, 2 * GB, None).warning(60 * DAY_MS)
    assert (size_text(999), size_text(1000), size_text(2_500_000)) == ("999 bytes", "1.0 kB", "2.5 MB")


def _journal(folder: Path, days: int) -> int:
    """Write a journal of 100 readings a day; return the time of the last."""
    with closing(Journal.open(folder / "journal.db", "bench 1")) as journal:
        begun = reading().measured_at
        journal.append(
            [reading(n, measured_at=begun + n * DAY_MS // 100, lot=f"L{n}") for n in range(days * 100 + 1)]
        )
    return begun + days * DAY_MS


def test_the_journal_says_how_fast_it_grows(tmp_path: Path) -> None:
    """A hundred readings a day of some 300 bytes are some 30 kB a day, over whichever time they were made."""
    now = _journal(tmp_path, 40)
    with closing(Reader(tmp_path)) as reader:
        room = look(reader, GB, now)
        later = look(reader, GB, now + 20 * DAY_MS)
    assert room.day_bytes is not None
    assert later.day_bytes is not None
    assert 20_000 < room.day_bytes < 50_000
    assert later.day_bytes == pytest.approx(room.day_bytes / 3, rel=0.01)
    stat = os.statvfs(tmp_path)
    assert room.free_bytes == pytest.approx(stat.f_bavail * stat.f_frsize, rel=0.2)


def test_a_folder_without_a_journal_has_a_disk(tmp_path: Path) -> None:
    """Before the first start the disk above is looked at, and nothing is forecast."""
    room = look_at(tmp_path / "data" / "not" / "yet", GB, 0)
    assert room is not None
    assert room.free_bytes > 0
    assert room.day_bytes is None


def test_a_change_is_logged_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Getting short, reaching the floor and being well again are each said once, however often it is looked."""
    now = _journal(tmp_path, 2)
    said: list[tuple[str, str]] = []

    class Log:
        def __getattr__(self, level: str) -> object:
            return lambda event, **_: said.append((level, event))

    monkeypatch.setattr(watching, "log", Log())
    with closing(Reader(tmp_path)) as reader:
        watch = RoomWatch(reader, GB, 60 * DAY_MS, lambda: now)
        for free in (50 * GB, 2 * GB, 2 * GB, GB // 2, GB // 2, 50 * GB, 50 * GB):
            watch._seen(Room(free, GB, 1e8 if free < 50 * GB else 1e6))
    assert watch.warning == ""
    full = "the disk is getting full"
    assert said == [("warning", full), ("error", full), ("info", "the disk has room again")]


def test_check_tells_of_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`gaugepost check` says what is free, and warns where the floor is above it; an amount without unit is refused."""
    file = tmp_path / "station.toml"
    with Port() as port:
        text = station_file([port])
    for floor, words in (
        ('disk_floor = "1 MB"', "too young for a forecast"),
        ('disk_floor = "900000 TB"', "less than the floor"),
        ("disk_floor = 5", "bare number"),
        ('disk_floor = "5 GiB"', "is not an amount of data"),
    ):
        file.write_text(text.replace('time_zone = "UTC"', f'time_zone = "UTC"\n{floor}'))
        main(["check", str(file)])
        assert words in capsys.readouterr().out


def test_health_tells_of_it(tmp_path: Path) -> None:
    """The running service says at /v1/health what is free, and warns where a person looks at the bench."""
    with Port() as port:
        text = station_file([port]).replace(
            'time_zone = "UTC"', 'time_zone = "UTC"\ndisk_floor = "900000 TB"'
        )
        with Daemon(tmp_path, text) as daemon:
            disk = None
            for _ in range(600):
                if (disk := daemon.get("/health")["disk"]) is not None:
                    break
                time.sleep(0.05)
            assert disk is not None, json.dumps(daemon.get("/health"))
            assert disk["floor_bytes"] == 900_000 * 10**12
            assert disk["days_left"] == 0
            assert "less than the floor" in disk["warning"]
