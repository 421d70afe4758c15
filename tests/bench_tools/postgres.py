"""A real PostgreSQL server as processes of its own, to be killed, frozen, filled up and started again.

The server refuses to run as root: there it runs as the user that its package made, in a folder that user may enter.
Elsewhere it runs as whoever runs the tests.
"""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Self

import psycopg

from tests.bench_tools.ports import free_port

PATIENCE_S = 60.0
"""Bounds a failure; nothing passes or fails by it otherwise."""

OWNER = "plant"
"""The server's superuser; who comes by the socket's folder is let in as anybody."""


def programs() -> Path:
    """Return the folder of the newest server's programs; fail where there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    assert found, "no PostgreSQL server is installed: see deploy/apt-packages.txt"
    return found[-1].parent


class Server:
    """A server with the database `quality`, on a port of its own that stays the same over restarts.

    `lines` are more lines of its configuration, `doors` of who is let in by TCP (pg_hba.conf).
    """

    def __init__(
        self, lines: Sequence[str] = (), doors: Sequence[str] = ("host all all 127.0.0.1/32 trust",)
    ) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="gaugepost-pg-"))
        self.port = free_port()
        self.env: dict[str, str] = {}
        """What is added to the environment of its programs."""
        self._lines, self._doors = lines, doors
        self._user = pwd.getpwnam("postgres") if os.geteuid() == 0 else None
        if self._user is not None:
            os.chown(self.folder, self._user.pw_uid, self._user.pw_gid)

    @property
    def data(self) -> Path:
        """The server's own files."""
        return self.folder / "data"

    @property
    def pid(self) -> int:
        """The first of the server's processes."""
        return int((self.data / "postmaster.pid").read_text().split()[0])

    def run(self, program: str, *words: str) -> str:
        """Run one of the server's programs as its user; return what it says."""
        as_who: dict[str, Any] = {}
        if self._user is not None:
            as_who = {"user": self._user.pw_uid, "group": self._user.pw_gid, "extra_groups": []}
        done = subprocess.run(
            [str(programs() / program), *words],
            cwd=self.folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=2 * PATIENCE_S,
            env={"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8", **self.env},
            check=False,
            **as_who,
        )
        assert done.returncode == 0, f"{program}: {done.stdout}\n{self.log()}"
        return str(done.stdout)

    def log(self) -> str:
        """What the server wrote to its log so far."""
        path = self.folder / "log"
        return path.read_text(errors="replace") if path.exists() else ""

    def make(self) -> None:
        """Make the server's files and its configuration."""
        self.run(
            "initdb",
            "--wal-segsize=1",
            "-D",
            str(self.data),
            "-U",
            OWNER,
            "-A",
            "trust",
            "-E",
            "UTF8",
            "--no-sync",
            "--no-locale",
        )
        settings = [
            "listen_addresses = '127.0.0.1'",
            f"port = {self.port}",
            f"unix_socket_directories = '{self.folder}'",
            "shared_buffers = 32MB",
            "min_wal_size = 2MB",
            "max_connections = 30",
            "autovacuum = off",
            "recovery_init_sync_method = syncfs",
            *self._lines,
        ]
        with (self.data / "postgresql.conf").open("a") as file:
            file.write("\n".join([*settings, ""]))
        self.let_in(*self._doors)

    def put(self, name: str, content: bytes) -> None:
        """Put a file into the server's folder that only the server may read."""
        path = self.data / name
        path.unlink(missing_ok=True)
        path.touch(0o600)
        path.write_bytes(content)
        if self._user is not None:
            os.chown(path, self._user.pw_uid, self._user.pw_gid)

    def let_in(self, *doors: str) -> None:
        """Say who is let in by TCP; whoever connects from now on is asked."""
        (self.data / "pg_hba.conf").write_text("\n".join(["local all,replication all trust", *doors, ""]))

    def start(self) -> Self:
        """Start it, and wait until it takes connections."""
        options = ["-D", str(self.data), "-l", str(self.folder / "log"), "-t", f"{PATIENCE_S:.0f}"]
        self.run("pg_ctl", "start", "-w", *options)
        return self

    def stop(self, mode: str = "fast") -> None:
        """Stop it: "fast" ends connections and writes everything, "immediate" ends at once, as a power cut would."""
        self.run("pg_ctl", "stop", "-D", str(self.data), "-m", mode, "-w", "-t", f"{PATIENCE_S:.0f}")

    def reload(self) -> None:
        """Have it read its configuration again."""
        self.run("pg_ctl", "reload", "-D", str(self.data))

    def promote(self) -> None:
        """Have a standby take rows of its own."""
        self.run("pg_ctl", "promote", "-D", str(self.data), "-w", "-t", f"{PATIENCE_S:.0f}")

    @contextmanager
    def away(self, mode: str = "immediate") -> Iterator[None]:
        """Have it stopped for the time of the block."""
        self.stop(mode)
        try:
            yield
        finally:
            self.start()

    @contextmanager
    def standby(self) -> Iterator[Server]:
        """Return a server that copies this one, row by row, and takes none of its own until it is promoted."""
        copy = Server()
        try:
            address = ["-h", str(self.folder), "-p", str(self.port), "-U", OWNER]
            self.run("pg_basebackup", "-D", str(copy.data), "-R", "-X", "stream", "-c", "fast", *address)
            with (copy.data / "postgresql.conf").open("a") as file:
                file.write(f"port = {copy.port}\nunix_socket_directories = '{copy.folder}'\n")
            yield copy.start()
        finally:
            copy.__exit__()

    @contextmanager
    def frozen(self) -> Iterator[None]:
        """Have none of its processes do anything for the time of the block; connections stay open."""
        first = self.pid
        os.kill(first, signal.SIGSTOP)  # no new one is begun
        stopped = [first, *_children(first)]
        for each in stopped[1:]:
            os.kill(each, signal.SIGSTOP)
        try:
            yield
        finally:
            for each in reversed(stopped):
                os.kill(each, signal.SIGCONT)

    @contextmanager
    def connected(
        self, database: str = "quality", user: str = OWNER
    ) -> Iterator[psycopg.Connection[tuple[Any, ...]]]:
        """Return a connection of a person's own, by the socket."""
        with psycopg.connect(
            host=str(self.folder), port=self.port, dbname=database, user=user, autocommit=True
        ) as connection:
            yield connection

    def ask(self, query: str, *given: object, user: str = OWNER) -> list[tuple[Any, ...]]:
        """Return the rows that a query has, none for what is no query."""
        with self.connected(user=user) as connection:
            cursor = connection.execute(query.encode(), given or None)
            return cursor.fetchall() if cursor.description else []

    def __enter__(self) -> Self:
        try:
            self.make()
            self.start()
            with self.connected("postgres") as connection:
                connection.execute("CREATE DATABASE quality")
                connection.execute("CREATE ROLE bench LOGIN")
                connection.execute("GRANT CREATE ON DATABASE quality TO bench")
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        if (self.data / "postmaster.pid").exists():
            self.stop("immediate")
        shutil.rmtree(self.folder)


def _children(pid: int) -> list[int]:
    """Return the processes that `pid` has begun."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[1]) == pid:
            found.append(int(path.parent.name))
    return found


def until(true: Any, what: str) -> None:
    """Wait until `true`; fail where it never gets so."""
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, f"never: {what}"
        time.sleep(0.02)
