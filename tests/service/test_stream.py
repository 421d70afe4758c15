"""The live stream at the real daemon: in order, resumable, and no client holds up another."""

from __future__ import annotations

import http.client
import json
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from gaugepost.service.routes.stream import MOST_CLIENTS, PATIENCE_S
from tests.bench_tools.daemon import Daemon, Port, station_file


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[tuple[Daemon, Port]]:
    with Port() as port, Daemon(tmp_path, station_file([port])) as daemon:
        yield daemon, port


class Follower:
    """A client of the stream that reads one event at a time."""

    def __init__(self, daemon: Daemon, query: str = "", last_id: str | None = None) -> None:
        where = urlsplit(daemon.address)
        self._connection = http.client.HTTPConnection(where.hostname or "", where.port, timeout=30)
        headers = {} if last_id is None else {"Last-Event-ID": last_id}
        self._connection.request("GET", f"/v1/stream{query}", headers=headers)
        self.answer = self._connection.getresponse()
        self.ended = False

    def __enter__(self) -> Follower:
        return self

    def __exit__(self, *_: object) -> None:
        self.answer.close()
        self._connection.close()

    def next(self) -> dict[str, Any]:
        """Return the next event's fields, data parsed; comments are passed over."""
        event: dict[str, Any] = {}
        while True:
            line = self.answer.readline().decode().rstrip("\n")
            if not line and event:
                return event | {"data": json.loads(event["data"])}
            if line and not line.startswith(":"):
                key, _, value = line.partition(": ")
                event[key] = value

    def readings(self, count: int) -> list[dict[str, Any]]:
        """Return the data of the next `count` readings."""
        found: list[dict[str, Any]] = []
        while len(found) < count:
            event = self.next()
            if event["event"] == "reading":
                assert event["id"] == event["data"]["id"]
                found.append(event["data"])
        return found


def show(port: Port, first: int, count: int) -> list[str]:
    """Have the gauge send `count` values, no two alike; return their digits."""
    digits = [f"{(first + at) / 10_000:.4f}" for at in range(count)]
    port.send("".join(f"{each} mm\r\n" for each in digits).encode())
    return digits


def test_every_record_comes_in_order_and_as_published(bench: tuple[Daemon, Port]) -> None:
    """What was recorded before and after the client came is the same as the records asked for."""
    daemon, port = bench
    before = show(port, 1, 300)
    daemon.wait_for(300, kind="reading")
    with Follower(daemon) as follower:
        assert follower.answer.headers["Content-Type"].startswith("text/event-stream")
        assert [r["indication"] for r in follower.readings(300)] == before
        after = show(port, 301, 50)
        came = follower.readings(50)
        assert [r["indication"] for r in came] == after
        assert came == list(daemon.records(kind="reading"))[300:]


def test_filters(bench: tuple[Daemon, Port]) -> None:
    """Only what was asked for is sent; an unknown key is refused with the nearest one."""
    daemon, port = bench
    show(port, 1, 3)
    daemon.wait_for(3, kind="reading")
    daemon.post("/tags", {"piece": "7"}, "PUT")
    show(port, 10, 1)
    with Follower(daemon, "?kind=reading&piece=7") as follower:
        assert follower.next()["data"]["indication"] == "0.0010"
    with Follower(daemon, "?peice=7") as refused:
        assert refused.answer.status == 422
        assert "piece" in json.load(refused.answer)["hint"]


def test_a_client_goes_on_over_a_kill(bench: tuple[Daemon, Port], tmp_path: Path) -> None:
    """Last-Event-ID after a SIGKILL and a restart: nothing is missed, nothing comes twice."""
    daemon, port = bench
    show(port, 1, 20)
    with Follower(daemon) as follower:
        seen = follower.readings(10)
        daemon.wait_for(20, kind="reading")
    daemon.kill()
    with Port() as other:
        daemon.station = station_file([other])
        daemon.start()
        show(other, 21, 20)
        with Follower(daemon, last_id=seen[-1]["id"]) as follower:
            seen += follower.readings(30)
    assert [r["indication"] for r in seen] == [f"{at / 10_000:.4f}" for at in range(1, 41)]


@pytest.mark.parametrize("last_id", ["0b9ad0d5-5c6e-4f0f-9d51-8a3f3a2f7c11-3", "nonsense", "{epoch}-999999"])
def test_another_journal_starts_the_client_over(bench: tuple[Daemon, Port], last_id: str) -> None:
    """A client that comes from a journal that is not this one is told, and gets this one from its beginning."""
    daemon, port = bench
    show(port, 1, 2)
    daemon.wait_for(2, kind="reading")
    epoch = daemon.get("/station")["epoch"]
    with Follower(daemon, last_id=last_id.format(epoch=epoch)) as follower:
        restart = follower.next()
        assert (restart["event"], restart["data"]) == ("restart", {"epoch": epoch, "after": 0})
        assert follower.next()["data"]["sequence"] == 1


@pytest.mark.attack
def test_a_client_that_does_not_read_is_dropped_and_holds_up_nobody(bench: tuple[Daemon, Port]) -> None:
    """While one client reads nothing, others and the journal go on; it is dropped, and told where to come back."""
    daemon, port = bench
    where = urlsplit(daemon.address)
    with socket.socket() as deaf:
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        deaf.settimeout(30)
        deaf.connect((where.hostname, where.port))
        deaf.sendall(b"GET /v1/stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        with Follower(daemon) as follower:
            for batch in range(20):
                digits = show(port, 1 + batch * 500, 500)
                assert [r["indication"] for r in follower.readings(500)] == digits
            told = b""
            time.sleep(PATIENCE_S + 1)
            # Only now does it begin to read: what had been sent, then that it was dropped, then the end.
            while part := deaf.recv(65536):
                told += part
    assert b"event: dropped" in told
    after = int(told.rpartition(b'"after": ')[2].partition(b",")[0])
    received = [
        json.loads(line[6:])["sequence"] for line in told.split(b"\n") if line.startswith(b'data: {"kind"')
    ]
    assert received == list(range(1, after + 1))


def test_the_end_of_the_service_ends_streams(bench: tuple[Daemon, Port]) -> None:
    """Streams end whole when the service ends, and don't keep it from ending."""
    daemon, _ = bench
    with Follower(daemon) as follower:
        follower.next()
        assert daemon.stop() == 0
        while follower.answer.readline():
            pass


def test_clients_are_bounded(bench: tuple[Daemon, Port]) -> None:
    """One client too many is told so, and there is room again when one leaves."""
    daemon, port = bench
    followers = [Follower(daemon) for _ in range(MOST_CLIENTS)]
    for follower in followers:
        follower.next()
    with Follower(daemon) as refused:
        assert refused.answer.status == 503
    followers.pop().__exit__()
    status = 503
    while status == 503:  # the service hears of it when it next looks
        with Follower(daemon) as again:
            status = again.answer.status
    show(port, 1, 1)
    assert all(follower.readings(1)[0]["indication"] == "0.0001" for follower in followers)
    for follower in followers:
        follower.__exit__()
