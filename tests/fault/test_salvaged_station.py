"""A station goes on with a salvaged journal: nothing is doubled at its destination, and no id is used again."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from gaugepost.edge.journal import Reader, examine
from tests.bench_tools.daemon import Daemon, Port, station_file

pytestmark = pytest.mark.attack

PAGE = 4096
READINGS = 60


def _salvaged(daemon: Daemon, new: Path) -> str:
    """Salvage by command, put the new journal in the old one's place, and return what was told."""
    done = subprocess.run(
        [sys.executable, "-m", "gaugepost", "salvage", str(daemon.data), str(new)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode in (0, 1), done.stderr
    assert examine(new).sound
    kept = new.with_name("kept")
    kept.mkdir()
    for name in ("journal.db", "journal.db-wal", "journal.db-shm"):
        if (daemon.data / name).exists():
            (daemon.data / name).rename(kept / name)
    (new / "journal.db").rename(daemon.journal)
    return done.stdout


@pytest.mark.parametrize("cursors", ["kept", "lost"])
def test_a_station_goes_on_with_a_salvaged_journal(tmp_path: Path, cursors: str) -> None:
    """Rows keep their ids and are not written again, new ones get ids of the new epoch, lost ones none."""
    with Port() as port:
        daemon = Daemon(tmp_path, station_file([port])).start()
        for number in range(READINGS):
            port.send(f"38.{number:04} mm\r\n".encode())
        sent = daemon.wait_for(READINGS, kind="reading")
        daemon.stop()
        before = daemon.rows()
        assert len(before) == READINGS
        data = daemon.journal.read_bytes()
        page = data.index(bytes.fromhex(sent[20]["hash"])) // PAGE
        daemon.journal.write_bytes(data[: page * PAGE] + bytes(PAGE) + data[(page + 1) * PAGE :])
        assert not examine(daemon.journal).sound
        assert "missing" in _salvaged(daemon, tmp_path / "new")
        if cursors == "lost":
            (daemon.data / "deliveries.db").unlink()
        daemon.start()
        port.send(b"38.0099 mm\r\n")
        daemon.wait_for(1, kind="reading", after=sent[-1]["sequence"])
        assert daemon.get(f"/records/{sent[0]['id']}")["hash"] == sent[0]["hash"], "an old id is still known"
        daemon.get(f"/records/{sent[20]['id']}")
        assert daemon.status == 404, "a lost record is not there, and no other one in its place"
        assert daemon.stop() == 0
        rows = daemon.rows()
    assert [row["id"] for row in rows[:READINGS]] == [row["id"] for row in before]
    assert [row["kind"] for row in rows[READINGS:]] == ["salvage", "reading"]
    assert len({row["id"] for row in rows}) == len(rows), "a row was written twice"
    reader = Reader(daemon.journal)
    assert rows[-1]["id"].startswith(str(reader.epoch))
    assert rows[0]["id"].startswith(reader.epoch.of(1))
    reader.close()
