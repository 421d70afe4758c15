"""Kills and restarts around snapshots: the bench always comes back to where the journal ends."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from gaugepost.core.bench import State, apply
from gaugepost.core.setup import to_plain
from gaugepost.edge.journal import Reader
from gaugepost.edge.kept.snapshot import EVERY, FILE_NAME, Snapshot
from tests.bench_tools.daemon import START_S, Daemon, Port, station_file
from tests.shape.tree import ROOT

WRITER = """
import sys
from pathlib import Path
from gaugepost.core.bench.events import SetTags
from gaugepost.edge.journal import Journal, Reader
from gaugepost.edge.kept.snapshot import Snapshot
from tests.core.station import Hand, set_up
folder = Path(sys.argv[1])
journal = Journal.open(folder / "journal.db", "test bench")
snapshot = Snapshot(folder, Reader(folder))
state = snapshot.restore()
print("start", snapshot.finding, flush=True)
hand = Hand(set_up(), state)
if state.sequence == 0:
    hand.ready()
while True:
    first = hand.state.sequence
    for number in range(first, first + 150):
        hand.do(SetTags({"lot": f"L{number // 40}", "piece": f"P{number % 40}"}))
        hand.show(f"38.0{10 + number % 15}")
    journal.append(hand.records)
    hand.records.clear()
    print("saved", snapshot.save(hand.state), flush=True)
"""


def _writer(folder: Path, seed: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(folder)],
        cwd=ROOT,
        env={
            "PYTHONPATH": f"{ROOT}:{ROOT / 'daemon'}",
            "PYTHONDONTWRITEBYTECODE": "1",
            "PYTHONHASHSEED": str(seed),
        },
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def _restored(folder: Path) -> str:
    """Restore, hold the state against a full replay, and return the finding."""
    reader = Reader(folder)
    try:
        snapshot, full = Snapshot(folder, reader), State()
        for entry in reader.replay():
            full = apply(full, entry.record)
        assert to_plain(snapshot.restore()) == to_plain(full)
        return snapshot.finding
    finally:
        reader.close()


@pytest.mark.attack
def test_kills_while_writing_leave_a_sound_one(tmp_path: Path) -> None:
    """After SIGKILL at any moment the old snapshot or the new one is there, and good for another process."""
    chance = random.Random(20261125)
    cut = 0
    for seed in range(1, 13):  # each process files its counts otherwise: text has other hashes
        with _writer(tmp_path, seed) as writer:
            assert writer.stdout is not None
            assert writer.stdout.readline() == "start \n"
            for _ in range(chance.randint(1, 2)):
                assert writer.stdout.readline() == "saved \n"
            new = tmp_path / f"{FILE_NAME}.new"
            deadline = time.monotonic() + START_S
            while not new.exists() and time.monotonic() < deadline:
                pass
            writer.send_signal(signal.SIGKILL)
            writer.stdout.read()
        assert writer.returncode == -signal.SIGKILL
        cut += new.exists()
        assert _restored(tmp_path) == ""
    assert cut, "no kill came while one was written: the test proves nothing"


def _readings(daemon: Daemon) -> Any:
    """How many readings the bench counts on its gauge."""
    (gauge,) = daemon.get("/gauges")["gauges"]
    return gauge["readings_since_check"]


def test_a_daemon_starts_from_its_snapshot(tmp_path: Path) -> None:
    """A clean stop leaves a snapshot for the next start; one that is gone or damaged is missed in the log alone."""
    with Port() as port:
        daemon = Daemon(tmp_path, station_file([port])).start()
        port.send(b"38.0012 mm\r\n")
        daemon.wait_for(1, kind="reading")
        assert daemon.stop() == 0
        file = daemon.data / FILE_NAME
        for finding in ("", "there is none", "it is damaged"):
            if finding == "there is none":
                file.unlink()
            elif finding:
                file.write_bytes(file.read_bytes()[:-100])
            before = len(daemon.log())
            daemon.start()
            assert _readings(daemon) == 1
            assert daemon.stop() == 0
            said = daemon.log()[before:]
            assert said.count("applied the whole journal") == bool(finding)
            assert finding in said
            assert _restored(daemon.data) == ""


@pytest.mark.attack
def test_a_daemon_that_is_killed_has_had_one_on_the_way(tmp_path: Path) -> None:
    """Under load snapshots are written beside the work, and a kill costs the next start the records since."""
    with Port() as port:
        daemon = Daemon(tmp_path, station_file([port])).start()
        file, sent = daemon.data / FILE_NAME, 0
        deadline = time.monotonic() + 4 * START_S
        while not file.exists():
            assert time.monotonic() < deadline, daemon.log()
            if sent < 2 * EVERY:
                port.send(f"{sent / 10_000:.4f} mm\r\n".encode())
                sent += 1
        daemon.kill()
        daemon.start()
        assert "whole journal" not in daemon.log()
        readings = _readings(daemon)
        assert readings == len(list(daemon.records(kind="reading"))) > EVERY // 2
        assert daemon.stop() == 0
        assert _restored(daemon.data) == ""
