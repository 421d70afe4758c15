"""The service manager is told when the station is ready, that it moves, and that it ends (sd_notify(3))."""

from __future__ import annotations

import asyncio
import os
import shutil
import signal
import socket
import subprocess
from pathlib import Path

import pytest

from gaugepost.edge.service_manager import STUCK_S, ServiceManager
from tests.bench_tools import years
from tests.bench_tools.daemon import Daemon, Port, station_file

UNIT = Path(__file__).parents[2] / "deploy" / "systemd" / "gaugepost.service"


class Manager:
    """What a manager hears."""

    def __init__(self, at: str) -> None:
        self.ear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.ear.bind(at)
        self.ear.settimeout(30)

    def hears(self, what: str) -> None:
        """Wait until something that begins with `what` is said."""
        while not self.ear.recv(4096).decode().startswith(what):
            pass

    def hears_within(self, what: str, seconds: float) -> bool:
        """Return whether it is said within that time."""
        self.ear.settimeout(seconds)
        try:
            self.hears(what)
        except TimeoutError:
            return False
        finally:
            self.ear.settimeout(30)
        return True


@pytest.mark.parametrize("abstract", [False, True])
def test_ready_moving_ending(abstract: bool, tmp_path: Path) -> None:
    """It says READY=1 once it listens, WATCHDOG=1 again and again, and STOPPING=1 when it is told to end."""
    name = f"@gaugepost-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    manager = Manager("\0" + name[1:] if abstract else name)
    env = {"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "200000"}
    with manager.ear, Port() as port, Daemon(tmp_path, station_file([port]), env=env) as daemon:
        manager.hears("READY=1\nSTATUS=listening on http://127.0.0.1:")
        for _ in range(3):
            manager.hears("WATCHDOG=1")
        assert daemon.process is not None
        daemon.process.send_signal(signal.SIGTERM)
        manager.hears("STOPPING=1")


def test_a_start_that_takes_long_says_that_it_goes_on(tmp_path: Path) -> None:
    """While a journal of years is applied the manager hears so before it gives up, and afterwards that it is ready.

    Source: sd_notify(3): EXTEND_TIMEOUT_USEC= extends the start's time-out, and must be said again within that time.
    """
    manager = Manager(str(tmp_path / "notify"))
    with manager.ear, Port() as port:
        station = station_file([port]).replace("test bench", years.STATION)
        daemon = Daemon(tmp_path, station, env={"NOTIFY_SOCKET": str(tmp_path / "notify")})
        years.fill(daemon.journal, 12_000)
        with daemon:
            manager.hears("EXTEND_TIMEOUT_USEC=60000000\nSTATUS=applying the journal, record 10000 of 12000")
            manager.hears("READY=1")


def test_a_frozen_daemon_says_nothing(tmp_path: Path) -> None:
    """A process that does not run does not say that it moves: the manager can end it."""
    manager = Manager(str(tmp_path / "notify"))
    env = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "200000"}
    with manager.ear, Port() as port, Daemon(tmp_path, station_file([port]), env=env) as daemon:
        manager.hears("WATCHDOG=1")
        assert daemon.process is not None
        daemon.process.send_signal(signal.SIGSTOP)
        while manager.hears_within("WATCHDOG=1", 1.0):
            pass
        daemon.process.send_signal(signal.SIGCONT)
        manager.hears("WATCHDOG=1")


@pytest.mark.asyncio
async def test_a_stuck_disk_is_no_progress(tmp_path: Path) -> None:
    """While a commit is stuck nothing is said, however well everything else runs; then it is said again."""
    manager, stalled = Manager(str(tmp_path / "notify")), [0.0]
    told = ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "20000"})
    feeding = asyncio.create_task(told.feed(lambda: stalled[0]))
    with manager.ear:
        await asyncio.to_thread(manager.hears, "WATCHDOG=1")
        stalled[0] = STUCK_S
        while await asyncio.to_thread(manager.hears_within, "WATCHDOG=1", 0.5):
            pass
        stalled[0] = STUCK_S - 1
        await asyncio.to_thread(manager.hears, "WATCHDOG=1")
        feeding.cancel()
        await asyncio.gather(feeding, return_exceptions=True)


def test_a_manager_that_is_not_there_is_no_matter(tmp_path: Path) -> None:
    """A socket that nobody listens at does not keep the station from its work."""
    env = {"NOTIFY_SOCKET": str(tmp_path / "nobody"), "WATCHDOG_USEC": "rubbish"}
    with Port() as port, Daemon(tmp_path, station_file([port]), env=env) as daemon:
        port.send(b"38.0000 mm\r\n")
        assert daemon.wait_for(1, kind="reading")


def test_the_unit_is_hardened(tmp_path: Path) -> None:
    """The unit is one that systemd takes, and its exposure is 2.0 or better by systemd's own reckoning."""
    tool = shutil.which("systemd-analyze")
    assert tool, "systemd-analyze is missing: apt-get install systemd"
    unit = tmp_path / "gaugepost.service"
    unit.write_text(UNIT.read_text("utf-8").replace("/usr/bin/gaugepost", "/usr/bin/true"), encoding="utf-8")
    taken = subprocess.run([tool, "verify", unit], capture_output=True, text=True, timeout=60)
    assert (taken.returncode, taken.stderr) == (0, "")
    done = subprocess.run(
        [tool, "security", "--offline=true", "--threshold=20", "--no-pager", unit],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stdout
