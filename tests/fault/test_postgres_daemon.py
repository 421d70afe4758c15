"""The whole daemon and a real database: every record is a row, once, through kills, outages and a full disk."""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from psycopg import sql

from tests.bench_tools.accounts import delivered, journalled, load, show, standing, until
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.postgres import Server
from tests.bench_tools.proxy import Proxy
from tests.contract.postgres_bench import server as server
from tests.fault.shim import Shim

pytestmark = pytest.mark.attack

KILLS = 6
ROUNDS = 8
PAGE = 4096


def station(ports: list[Port], port: int, schema: str, name: str = "test bench") -> str:
    """Return a station with a CSV file and a database, each of which has everything."""
    table = (
        f'[destinations.plant]\nkind = "postgres"\nhost = "127.0.0.1"\nport = {port}\ndatabase = "quality"\n'
        f'username = "bench"\ndatabase_schema = "{schema}"\nconnect_timeout_s = 2\nstatement_timeout_s = 2\n'
    )
    return station_file(ports, extra=table).replace("test bench", name)


def held(server: Server, schema: str, name: str = "test bench") -> list[str]:
    """Ids of a station's rows, in the order in which they came."""
    asked = sql.SQL("SELECT id FROM {} WHERE station = %s ORDER BY arrival").format(
        sql.Identifier(schema, "record")
    )
    with server.connected() as person:
        return [row[0] for row in person.execute(asked, [name])]


def _goes_on(daemon: Daemon, name: str) -> None:
    """Wait until a destination has got further than it is now."""
    through = standing(daemon, name)["through"]
    until(daemon, lambda: standing(daemon, name)["through"] > through + 10, f"{name} goes on")


@pytest.fixture
def ports() -> Iterator[list[Port]]:
    with ExitStack() as held:
        yield [held.enter_context(Port()) for _ in range(2)]


def test_killed_under_load_every_record_is_a_row_once(
    tmp_path: Path, server: Server, ports: list[Port]
) -> None:
    """The daemon is killed again and again while it sends: in the end the table holds the journal, in its order."""
    dice = random.Random(7)
    daemon = Daemon(tmp_path, station(ports, server.port, "killed"))
    sent: list[list[str]] = [[], []]
    with load(ports, sent, 0.02):
        for _ in range(KILLS):
            daemon.start()
            time.sleep(dice.uniform(0.1, 1.5))
            daemon.kill()
    with daemon:
        delivered(daemon, "plant")
        rows = held(server, "killed")
        assert rows == journalled(daemon)
    assert len(rows) > 100


@contextmanager
def _restarted(server: Server, proxy: Proxy) -> Iterator[None]:
    with server.away():
        yield


@contextmanager
def _frozen(server: Server, proxy: Proxy) -> Iterator[None]:
    with server.frozen():
        yield


@contextmanager
def _refusing(server: Server, proxy: Proxy) -> Iterator[None]:
    with proxy.refusing():
        yield


@contextmanager
def _vanished(server: Server, proxy: Proxy) -> Iterator[None]:
    with proxy.vanished():
        yield


OUTAGES = (_restarted, _frozen, _refusing, _vanished)


def test_outages_under_load_lose_nothing_and_delay_nobody(
    tmp_path: Path, server: Server, ports: list[Port]
) -> None:
    """Power cuts of the server, a frozen one, a network that refuses or swallows: rows come once, in order, later.

    Meanwhile the other destination gets everything as ever.
    """
    dice = random.Random(11)
    sent: list[list[str]] = [[], []]
    with Proxy(server.port) as proxy, Daemon(tmp_path, station(ports, proxy.port, "outages")) as daemon:
        with load(ports, sent, 0.01):
            for at in range(ROUNDS):
                time.sleep(dice.uniform(0.1, 0.6))
                with OUTAGES[at % len(OUTAGES)](server, proxy):
                    until(
                        daemon, lambda: standing(daemon, "plant")["state"] == "unreachable", "it is noticed"
                    )
                    said = standing(daemon, "plant")["last_error"]
                    assert f"127.0.0.1:{proxy.port}" in said or "standby" in said
                    _goes_on(daemon, "sheet")
                daemon.post("/destinations/plant/retry", {"operator": "M2", "reason": "it is back"})
        delivered(daemon, "plant", "sheet")
        assert held(server, "outages") == journalled(daemon)
        assert standing(daemon, "plant")["refused"] == 0
        assert daemon.stop() == 0
        assert [row["id"] for row in daemon.rows()] == journalled(daemon)


def test_a_full_disk_is_waited_out(tmp_path: Path, ports: list[Port]) -> None:
    """While the server's disk takes no more rows nothing is refused or lost; they come when there is room."""
    with Server() as server:
        shim = Shim(server.folder)
        library = server.folder / "shim.so"
        shutil.copy(shim.env()["LD_PRELOAD"], library)
        for path in (shim.log, shim.control):
            path.touch()
            path.chmod(0o666)
        server.env = {**shim.env(), "LD_PRELOAD": str(library)}
        server.stop()
        server.start()
        with Daemon(tmp_path, station(ports, server.port, "full")) as daemon:
            show(ports[0], range(1, 11))
            daemon.wait_for(10, kind="reading")
            delivered(daemon, "plant")
            shim.inject(["pwrite|write */base/* errno=ENOSPC"])
            shim.control.chmod(0o666)
            for first in range(11, 1600, 200):
                show(ports[0], range(first, first + 200))
            until(daemon, lambda: "53100" in str(standing(daemon, "plant")["last_error"]), "the disk is full")
            assert "free space on the server's disk" in standing(daemon, "plant")["last_error"]
            assert standing(daemon, "plant")["refused"] == 0
            shim.clear()
            shim.control.chmod(0o666)
            daemon.post("/destinations/plant/retry", {"operator": "M2", "reason": "room again"})
            delivered(daemon, "plant")
            assert held(server, "full") == journalled(daemon)


def test_a_standby_takes_rows_once_it_is_promoted(tmp_path: Path, server: Server, ports: list[Port]) -> None:
    """Rows wait while the server that is named only copies another, and go on where that one ended."""
    with Daemon(tmp_path, station(ports, server.port, "stands")) as daemon:
        show(ports[0], range(1, 21))
        daemon.wait_for(20, kind="reading")
        delivered(daemon, "plant")
        assert daemon.stop() == 0
    with server.standby() as standby, Daemon(tmp_path, station(ports, standby.port, "stands")) as daemon:
        show(ports[0], range(21, 41))
        daemon.wait_for(40, kind="reading")
        until(
            daemon, lambda: "it is a standby" in str(standing(daemon, "plant")["last_error"]), "it says why"
        )
        standby.promote()
        delivered(daemon, "plant")
        assert held(standby, "stands") == journalled(daemon)


def test_two_stations_share_a_schema_and_one_of_them_is_salvaged(tmp_path: Path, server: Server) -> None:
    """Each station's rows are its journal's; what a salvaged one measures later has ids of its own epoch."""
    with ExitStack() as held_open:
        ports = [held_open.enter_context(Port()) for _ in range(2)]
        daemons = []
        for number, port in enumerate(ports):
            (tmp_path / str(number)).mkdir()
            told = station([port], server.port, "shared", f"bench {number}")
            daemons.append(held_open.enter_context(Daemon(tmp_path / str(number), told)))
            show(port, range(1, 61))
        for number, daemon in enumerate(daemons):
            daemon.wait_for(60, kind="reading")
            delivered(daemon, "plant")
            assert held(server, "shared", f"bench {number}") == journalled(daemon)
        first, port = daemons[0], ports[0]
        before = held(server, "shared", "bench 0")
        sent = first.wait_for(60, kind="reading")
        assert first.stop() == 0
        data = first.journal.read_bytes()
        page = data.index(bytes.fromhex(sent[20]["hash"])) // PAGE
        first.journal.write_bytes(data[: page * PAGE] + bytes(PAGE) + data[(page + 1) * PAGE :])
        _salvage(first, tmp_path / "new")
        (first.data / "deliveries.db").unlink()  # everything is sent once more
        first.start()
        port.send(b"38.0099 mm\r\n")
        first.wait_for(1, kind="reading", after=sent[-1]["sequence"])
        delivered(first, "plant")
        rows = held(server, "shared", "bench 0")
        assert rows[: len(before)] == before
        kinds = server.ask(
            "SELECT kind, station FROM shared.record WHERE id = ANY(%s) ORDER BY arrival", rows[len(before) :]
        )
        assert kinds == [("salvage", "bench 0"), ("reading", "bench 0")]
        assert len({row[:36] for row in rows}) == 2
        assert set(journalled_ids(first)) <= set(rows)
        assert held(server, "shared", "bench 1") == journalled(daemons[1])
        ((ancestor, last),) = server.ask("SELECT before::text, last FROM shared.lineage")
        assert ancestor == before[0][:36]
        assert last >= sent[-1]["sequence"]


def journalled_ids(daemon: Daemon) -> list[str]:
    """Ids of what a journal holds now, under the epochs that they were written in."""
    return [record["id"] for record in daemon.records(kind="reading")]


def _salvage(daemon: Daemon, new: Path) -> None:
    command = [sys.executable, "-m", "gaugepost", "salvage", str(daemon.data), str(new)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode in (0, 1), done.stderr
    for name in ("journal.db", "journal.db-wal", "journal.db-shm"):
        (daemon.data / name).unlink(missing_ok=True)
    (new / "journal.db").rename(daemon.journal)
