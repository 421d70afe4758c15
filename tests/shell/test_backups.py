"""Backups by the clock: due when they should be, proven before they count, old ones gone only after that."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import threading
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest

from gaugepost.cli import main
from gaugepost.edge.clock import Clock
from gaugepost.edge.journal import Journal, Reader, examine, restore
from gaugepost.edge.stationfile.tables.backup import BackupPlan
from gaugepost.shell.backups import kept, scheduled
from gaugepost.shell.backups.scheduled import Backups
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.ports import free_port
from tests.edge.readings import reading

DAY_MS = 86_400_000
BERLIN = ZoneInfo("Europe/Berlin")
STATION = "bench 1"


def ms(text: str) -> int:
    """Return a UTC time in ms."""
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def plan(folder: Path = Path(), every_ms: int = DAY_MS, at: int | None = None, keep: int = 2) -> BackupPlan:
    """Return a plan."""
    return BackupPlan(folder, every_ms, at, keep)


@pytest.mark.parametrize(
    ("every", "at", "last", "now", "due"),
    [
        (DAY_MS, None, None, "2026-11-25T09:00", "2026-11-25T09:00"),  # never: at once
        (DAY_MS, None, "2026-11-24T08:00", "2026-11-25T07:00", "2026-11-25T08:00"),
        (3_600_000, None, "2026-11-25T08:00", "2026-11-25T08:30", "2026-11-25T09:00"),
        # 02:30 at the bench is 01:30 UTC in winter, 00:30 in summer.
        (DAY_MS, 150, "2026-11-24T01:30", "2026-11-24T09:00", "2026-11-25T01:30"),
        (DAY_MS, 150, "2026-07-24T00:30", "2026-07-24T09:00", "2026-07-25T00:30"),
        (DAY_MS, 150, "2026-10-24T00:30", "2026-10-24T09:00", "2026-10-25T00:30"),  # of two 02:30 the first
        # The bench was off at night: it was due since then, and is made late; the one after that is in time again.
        (DAY_MS, 150, "2026-11-23T01:30", "2026-11-25T07:00", "2026-11-24T01:30"),
        (DAY_MS, 150, "2026-11-24T07:00", "2026-11-24T09:00", "2026-11-25T01:30"),
        (7 * DAY_MS, 150, "2026-11-18T01:31", "2026-11-20T09:00", "2026-11-25T01:30"),
        # The clock was a year ahead once.
        (DAY_MS, None, "2027-11-25T08:00", "2026-11-25T08:00", "2026-11-26T08:00"),
    ],
)  # fmt: skip
def test_when_the_next_one_is_due(every: int, at: int | None, last: str | None, now: str, due: str) -> None:
    """Every so long, or at a time of day as the bench's own clocks show it; what was missed is due at once."""
    found = kept.due_ms(plan(every_ms=every, at=at), BERLIN, ms(last) if last else None, ms(now))
    assert found == ms(due)


def test_a_folder_that_is_not_there_or_full_is_said(tmp_path: Path) -> None:
    """A disk that is not mounted is no reason to fill the computer's own, and the journal's keeps its floor."""
    journal = _journal(tmp_path / "data")
    away = tmp_path / "mounted" / "backups"
    assert "mount its disk" in kept.trouble(plan(away), journal, 0)
    assert not away.parent.exists()
    away.mkdir(parents=True)
    assert kept.trouble(plan(away), journal, 0) == ""
    free = shutil.disk_usage(away).free
    assert "another disk" in kept.trouble(plan(away), journal, 2 * free)


async def _until(schedule: Backups, true: Callable[[], bool]) -> None:
    """Let a schedule work until something is so; a failure is bounded."""
    async with asyncio.timeout(120):
        working = asyncio.create_task(schedule.run())
        try:
            while not true():
                assert not working.done(), working.result()
                await asyncio.sleep(0.01)
        finally:
            working.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await working


def _journal(data: Path, count: int = 30) -> Path:
    data.mkdir(parents=True)
    with closing(Journal.open(data / "journal.db", STATION)) as journal:
        journal.append([reading(number) for number in range(1, count + 1)])
    return data / "journal.db"


@pytest.mark.asyncio
async def test_old_ones_go_only_after_a_newer_one_is_proven(tmp_path: Path) -> None:
    """Two are kept of many; while none can be made the old ones stay; what a kill left and another's are told apart."""
    journal, folder = _journal(tmp_path / "data"), tmp_path / "backups"
    folder.mkdir()
    names = [kept.named(folder, STATION, ms(f"2026-11-{day}T01:30")) for day in (20, 21, 22)]
    for name in names:
        shutil.copy(journal, name)
    other = kept.named(folder, STATION, ms("2026-11-19T01:30"))
    Journal.open(other, "bench-1").close()  # a station whose name looks the same in a file's name
    left = folder / f".{names[0].name}.4711.part"
    left.write_bytes(b"half")
    now = ms("2026-11-25T01:30")
    broken = tmp_path / "broken.db"
    broken.write_bytes(journal.read_bytes()[:4096] + b"\xff" * 5000)
    schedule = Backups(plan(folder), STATION, BERLIN, broken, 0, lambda: now, look_s=0.01)
    await _until(schedule, lambda: bool(schedule.standing.problem))
    assert all(name.exists() for name in [*names, other])
    assert schedule.standing.last is not None
    assert schedule.standing.last.path == names[-1]

    schedule = Backups(plan(folder), STATION, BERLIN, journal, 0, lambda: now, look_s=0.01)
    await _until(schedule, lambda: schedule.standing.head != "" and not names[1].exists())
    made = kept.named(folder, STATION, now)
    assert sorted(folder.glob("*.db")) == sorted([other, names[2], made])
    assert not [path for path in folder.iterdir() if path.name.endswith(".part")]
    assert schedule.standing.problem == ""


@pytest.mark.asyncio
async def test_a_restored_backup_is_the_journal(tmp_path: Path) -> None:
    """What the schedule made is restored: every record as it was, and the head that was told proves it."""
    journal, folder = _journal(tmp_path / "data", 200), tmp_path / "backups"
    folder.mkdir()
    schedule = Backups(plan(folder), STATION, BERLIN, journal, 0, lambda: Clock()().utc_ms, look_s=0.01)
    await _until(schedule, lambda: schedule.standing.count == 1 and schedule.standing.head != "")
    assert schedule.standing.last is not None
    restore(schedule.standing.last.path, tmp_path / "restored", Clock()(), program="test")
    with closing(Reader(journal)) as old, closing(Reader(tmp_path / "restored")) as new:
        assert new.entries(0, 200) == old.entries(0, 200)
        sequence, digest = old.head()
    assert schedule.standing.head == f"{sequence}:{digest.hex()}"


@pytest.mark.asyncio
async def test_one_that_is_cut_off_leaves_nothing(tmp_path: Path) -> None:
    """A service that ends while a backup is made ends that too, and no half of it lies about."""
    journal, folder = _journal(tmp_path / "data"), tmp_path / "backups"
    folder.mkdir()
    schedule = Backups(plan(folder), STATION, BERLIN, journal, 0, lambda: Clock()().utc_ms, look_s=0.01)
    await _until(schedule, lambda: schedule.standing.running)
    assert list(folder.iterdir()) == []


@pytest.mark.asyncio
async def test_a_share_that_hangs_is_said_and_holds_up_no_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the folder does not answer that is the finding; the service can end all the same."""
    journal, hung = _journal(tmp_path / "data"), threading.Event()
    monkeypatch.setattr(scheduled, "SILENT_S", 0.01)
    monkeypatch.setattr(kept, "trouble", lambda *_: hung.wait() and "")
    schedule = Backups(plan(tmp_path), STATION, BERLIN, journal, 0, lambda: Clock()().utc_ms, look_s=0.01)
    await _until(schedule, lambda: "does not answer" in schedule.standing.problem)
    hung.set()


@pytest.mark.attack
def test_a_running_station_backs_itself_up_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The first one is made at the start; health, metrics and doctor tell of it."""
    folder = tmp_path / "backups"
    folder.mkdir()
    with Port() as port:
        text = f'{station_file([port])}\n[backup]\nfolder = "{folder}"\nat = "02:30"\n'
        with Daemon(tmp_path, text) as daemon:

            def said() -> dict[str, Any]:
                found: dict[str, Any] = daemon.get("/health")["backup"]
                return found

            _wait(lambda: said()["made_at"] is not None and not said()["running"])
            (file,) = folder.iterdir()
            told = said()
            assert told["file"] == file.name
            assert told["kept"] == 1
            assert told["problem"] is None
            assert main(["verify", str(file), "--head", told["head"]]) == 0
            lines = httpx.get(f"{daemon.address}/v1/metrics", trust_env=False).text.splitlines()
            assert "gaugepost_backup_every_seconds 86400.0" in lines
            assert "gaugepost_backup_failing 0" in lines
            assert any(line.startswith("gaugepost_backup_age_seconds ") for line in lines)
            number = daemon.address.rpartition(":")[2]
            at = tmp_path / "station.toml"
            at.write_text(f"{text}\n[service]\nport = {number}\n")
            capsys.readouterr()
            main(["doctor", str(at)])
            assert f"backup: {file.name} in {folder}, 1 kept" in capsys.readouterr().out


@pytest.mark.attack
def test_a_kill_of_the_service_while_it_backs_up_leaves_nothing_half(tmp_path: Path) -> None:
    """Whatever the killed one left, the next start has a whole backup under its name and no part of another."""
    folder = tmp_path / "backups"
    folder.mkdir()
    with Port() as port:
        text = f'{station_file([port])}\n[backup]\nfolder = "{folder}"\n'
        daemon = Daemon(tmp_path, text)
        for _ in range(2):
            for path in folder.glob("*.db"):
                path.unlink()
            daemon.start()
            _wait(lambda: any(folder.iterdir()))
            daemon.kill()
        with daemon:
            _wait(lambda: bool(list(folder.glob("*.db"))) and not list(folder.glob(".*")))
            for path in folder.glob("*.db"):
                assert examine(path).sound


def test_check_and_doctor_say_what_a_backup_is_not_safe_from(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder that is not mounted, and one that shares the journal's disk, are said before it matters."""
    folder, file = tmp_path / "backups", tmp_path / "station.toml"
    with Port() as port:
        own = f"\n[service]\nport = {free_port()}\n"
        file.write_text(f'{station_file([port])}{own}[backup]\nfolder = "{folder}"\nat = "02:30"\n')
        for words in ("mount its disk", "on the journal's own disk"):
            assert main(["check", str(file)]) == 0
            assert f"backup: every day at 02:30 to {folder}, 14 are kept; " in (
                out := capsys.readouterr().out
            )
            assert words in out
            main(["doctor", str(file)])
            assert words in capsys.readouterr().out.partition("backups: ")[2]
            folder.mkdir(exist_ok=True)


def _wait(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 120
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.05)


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ('folder = "/media/backups"\nevery = "6 h"\nat = "02:30"', "every is not in whole days"),
        ('folder = "/media/backups"\nevery = "5 s"', "more often than once a minute"),
        ('every = "1 d"', "folder"),
        ('folder = "/media/backups"\nkeep = 0', "keep"),
    ],
)
def test_what_can_t_be_meant_is_said(
    written: str, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A schedule that contradicts itself, or has nowhere to go, is found before anything runs."""
    file = tmp_path / "station.toml"
    with Port() as port:
        file.write_text(f"{station_file([port])}\n[backup]\n{written}\n")
    assert main(["check", str(file)]) != 0
    assert words in capsys.readouterr().out
