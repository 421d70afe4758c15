"""The fault shim on small real processes: what it breaks is broken, and what it writes down is what happened."""

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.fault.shim import SENDS, SYNCS, WRITES, Shim

INSERT = """
import sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("pragma journal_mode=wal")
db.execute("pragma synchronous=full")
db.execute("create table if not exists t (x)")
db.execute("insert into t values (1)")
print("committed", flush=True)
"""


def run(shim: Shim, code: str, *args: Path) -> subprocess.CompletedProcess[str]:
    """Run `code` in a fresh interpreter under `shim`."""
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, args)],
        env={**os.environ, **shim.env()},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_a_failed_sync_fails_the_commit(tmp_path: Path) -> None:
    """EIO at the sync of SQLite's write-ahead log is an error to the one who commits."""
    shim = Shim(tmp_path)
    shim.inject(["fdatasync|fsync *journal.db-wal errno=EIO"])
    done = run(shim, INSERT, tmp_path / "journal.db")
    assert "disk I/O error" in done.stderr
    assert "committed" not in done.stdout
    hit = [e for e in shim.events() if e.error == errno.EIO]
    assert hit
    assert all(e.call in SYNCS and e.target.endswith("journal.db-wal") for e in hit)


def test_without_rules_everything_passes(tmp_path: Path) -> None:
    """With no rules in force, a commit is written and synced and nothing fails."""
    shim = Shim(tmp_path)
    done = run(shim, INSERT, tmp_path / "journal.db")
    assert done.stdout == "committed\n", done.stderr
    calls = {e.call for e in shim.events() if e.target.endswith("journal.db-wal")}
    assert calls & SYNCS
    assert calls & WRITES
    assert all(e.error == 0 for e in shim.events())


def test_a_full_disk_names_only_the_files_it_names(tmp_path: Path) -> None:
    """ENOSPC reaches writes to the matching path and no others."""
    shim = Shim(tmp_path)
    shim.inject(["write *.csv errno=28"])
    code = """
import os, sys
for path in sys.argv[1:]:
    fd = os.open(path, os.O_WRONLY | os.O_CREAT, 0o600)
    try:
        print(os.write(fd, b"value"))
    except OSError as e:
        print(e.errno)
"""
    done = run(shim, code, tmp_path / "a.csv", tmp_path / "b.txt")
    assert done.stdout.split() == [str(errno.ENOSPC), "5"], done.stderr
    assert (tmp_path / "a.csv").read_bytes() == b""


def test_a_stall_is_as_long_as_asked(tmp_path: Path) -> None:
    """A stalled sync takes at least the time of the rule, and then succeeds."""
    shim = Shim(tmp_path)
    shim.inject(["fsync * stall_ms=200"])
    done = run(shim, "import os, sys; os.fsync(os.open(sys.argv[1], os.O_CREAT | os.O_RDWR))", tmp_path / "f")
    assert done.returncode == 0, done.stderr
    (event,) = [e for e in shim.events() if e.call == "fsync"]
    assert event.end_ns - event.begin_ns >= 200_000_000
    assert event.result == 0


def test_after_and_count_bound_what_is_hit(tmp_path: Path) -> None:
    """`after` lets the first matches pass and `count` ends the trouble."""
    shim = Shim(tmp_path)
    shim.inject(["fsync * errno=EIO after=2 count=1"])
    code = """
import os, sys
fd = os.open(sys.argv[1], os.O_CREAT | os.O_RDWR)
for _ in range(5):
    try:
        os.fsync(fd)
        print("ok")
    except OSError:
        print("failed")
"""
    assert run(shim, code, tmp_path / "f").stdout.split() == ["ok", "ok", "failed", "ok", "ok"]


def test_rules_change_while_a_process_runs(tmp_path: Path) -> None:
    """A running process obeys new rules at its next call, and goes free once they are cleared."""
    shim = Shim(tmp_path)
    code = """
import os, sys
fd = os.open(sys.argv[1], os.O_CREAT | os.O_RDWR)
for _ in sys.stdin:
    try:
        os.fsync(fd)
        print("ok", flush=True)
    except OSError as e:
        print(e.errno, flush=True)
"""
    with subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path / "f")],
        env={**os.environ, **shim.env()},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        for rules, expected in (([], "ok"), (["fsync *f errno=EIO"], str(errno.EIO)), ([], "ok")):
            shim.inject(rules)
            child.stdin.write("\n")
            child.stdin.flush()
            assert child.stdout.readline() == f"{expected}\n"


def test_write_sync_send_are_seen_in_their_order(tmp_path: Path) -> None:
    """The log tells whether a record was synced before anyone was told of it."""
    shim = Shim(tmp_path)
    code = """
import os, socket, sys
fd = os.open(sys.argv[1], os.O_CREAT | os.O_WRONLY)
here, there = socket.socketpair()
os.write(fd, b"record")
os.fsync(fd)
here.send(b"told")
here.sendmsg([b"told", b" again"])
os.rename(sys.argv[1], sys.argv[2])
"""
    done = run(shim, code, tmp_path / "f", tmp_path / "g")
    assert done.returncode == 0, done.stderr
    events = [e for e in shim.events() if e.call in WRITES | SYNCS | SENDS | {"rename"}]
    assert [(e.call, e.target, e.asked) for e in events] == [
        ("write", str(tmp_path / "f"), 6),
        ("fsync", str(tmp_path / "f"), 0),
        ("send", "socket", 4),
        ("sendmsg", "socket", 10),
        ("rename", str(tmp_path / "g"), 0),
    ]
    assert events[0].data == b"record"
    assert events[2].data == b"told"
    assert events[1].end_ns <= events[2].begin_ns


def test_a_torn_write_is_the_last_thing_a_process_does(tmp_path: Path) -> None:
    """`short` with `kill` leaves the first bytes on the file and the process dead by SIGKILL."""
    shim = Shim(tmp_path)
    shim.inject(["write *f short=3 kill=1"])
    code = "import os, sys; os.write(os.open(sys.argv[1], os.O_CREAT | os.O_WRONLY, 0o600), b'record')"
    done = run(shim, code, tmp_path / "f")
    assert done.returncode == -signal.SIGKILL
    assert (tmp_path / "f").read_bytes() == b"rec"


@pytest.mark.parametrize(
    "rule", ["fsynk * errno=5", "fsync *", "fsync * errno=", "fsync * delay=3", "fsync * errno=5 count=-1"]
)
def test_a_rule_that_would_do_nothing_is_refused(tmp_path: Path, rule: str) -> None:
    """A misspelt rule is an error in the test that wrote it, never a fault that silently does not happen."""
    with pytest.raises(ValueError, match=r"fsync|shim"):
        Shim(tmp_path).inject([rule])
