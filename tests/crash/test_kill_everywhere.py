"""SIGKILL at any moment, with every sort of destination at work: each record is accounted for, everywhere."""

from __future__ import annotations

import http.client
import json
import os
import random
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from gaugepost.core.publication import publish
from gaugepost.core.record import PUBLISHED_KINDS, Kind
from gaugepost.edge.journal import Reader
from tests.bench_tools.accounts import STATUS, delivered, load, standing, until
from tests.bench_tools.broker import Broker, Subscriber, until as wait_until
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.receiver import Receiver

KILLS = 200
GAUGES = 8
MOMENTS = ("load", "load", "load", "start", "drain", "outage")
"""When the daemon is killed, as often as each stands here: under load, while it starts, after SIGTERM, or while broker
and receiver are away."""


def refused(record: dict[str, Any]) -> int:
    """What the receiver never takes, so that kills fall among the halves of a batch as well."""
    return 422 if record["sequence"] % 97 == 4 else 0


def station(ports: Sequence[Port], broker: Broker, receiver: Receiver) -> str:
    tables = f"""
[destinations.broker]
kind = "mqtt"
host = "127.0.0.1"
port = {broker.port}
max_in_flight = 20
[destinations.mes]
kind = "rest_push"
url = "{receiver.url}"
most_records = 40
"""
    return station_file(ports, extra=tables)


@contextmanager
def following(daemon: Daemon, after: int, heard: dict[str, str]) -> Iterator[None]:
    """Follow the live stream for the time of the block, and put what it says into `heard`: indications by id."""
    where = urlsplit(daemon.address)
    connection = http.client.HTTPConnection(where.hostname or "", where.port, timeout=60)
    connection.request("GET", f"/v1/stream?after={after}&kind=reading")
    answer = connection.getresponse()

    def read() -> None:
        with suppress(OSError, http.client.HTTPException):
            while line := answer.readline():
                if line.startswith(b"data: {") and line.endswith(b"}\n"):
                    record = json.loads(line[6:])
                    if "indication" in record:
                        heard[record["id"]] = record["indication"]

    thread = threading.Thread(target=read)
    thread.start()
    try:
        yield
    finally:  # the daemon is dead: the stream ends
        thread.join()
        answer.close()
        connection.close()


class Account:
    """Everything that was sent, acknowledged, journalled and received so far, brought up to date kill by kill."""

    def __init__(self, daemon: Daemon, receiver: Receiver, subscriber: Subscriber) -> None:
        self._daemon, self._receiver, self._subscriber = daemon, receiver, subscriber
        self.sent: list[list[str]] = [[] for _ in range(GAUGES)]
        self.told: dict[str, str] = {}
        """Indications by id, as the live stream told them."""
        self.pieces: list[str] = []
        """Pieces that a reply says are in hand."""
        self.after = 0
        self.ids: list[str] = []
        """Of every published record, in order."""
        self.indications: dict[str, str | None] = {}
        self._known: list[set[str]] = [set() for _ in range(GAUGES)]
        self._last = [-1] * GAUGES
        self._tags: set[str] = set()
        self._messages = self._requests = self._bytes = 0
        self._payloads: dict[str, bytes] = {}
        self._bodies: dict[str, bytes] = {}
        self._rows: list[list[str]] = []

    def check(self) -> None:
        """Hold all that is new against each other: acknowledged ⊆ journal ⊆ sent, and what was received in order."""
        self._journal()
        assert self.told.items() <= self.indications.items(), "what was heard of is not in the journal"
        assert set(self.pieces) <= self._tags, "what was replied to is not in the journal"
        self._mqtt()
        self._rest()
        self._csv()

    def _journal(self) -> None:
        with closing(Reader(self._daemon.journal)) as reader:
            for entry in reader.replay(self.after):
                self.after, record = entry.sequence, entry.record
                if record.kind == Kind.TAGS and record.piece:
                    self._tags.add(record.piece)
                if record.kind not in PUBLISHED_KINDS:
                    continue
                self.ids.append(f"{reader.epoch}-{entry.sequence}")
                self.indications[self.ids[-1]] = record.indication
                if record.kind == Kind.READING:
                    at = int(str(record.gauge)[1:])
                    place = int(str(record.indication).replace(".", ""))
                    assert place > self._last[at], "out of order, or twice"
                    assert self.sent[at][place] == record.indication, "a frame was made up"
                    self._last[at] = place

    def _mqtt(self) -> None:
        heard = self._subscriber.heard
        while self._messages < len(heard):
            each = heard[self._messages]
            self._messages += 1
            if each.topic not in (STATUS, "marker"):
                name = each.json["id"]
                if name not in self._payloads:
                    assert name == self.ids[len(self._payloads)], (
                        "left out, out of order, or not in the journal"
                    )
                assert self._payloads.setdefault(name, each.payload) == each.payload, (
                    "two records under one id"
                )

    def _rest(self) -> None:
        requests, receiver = self._receiver.requests, self._receiver
        for request in requests[self._requests :]:
            assert self._bodies.setdefault(request.key, request.body) == request.body, (
                "two batches of one key"
            )
        self._requests = len(requests)
        taken = receiver.ids
        wanted = [name for name in self.ids if not refused({"sequence": int(name.rpartition("-")[2])})]
        assert taken == wanted[: len(taken)], "left out, doubled, out of order, or not in the journal"
        assert receiver.mismatches == 0

    def _csv(self) -> None:
        path = self._daemon.data / "csv" / "records.csv"
        with suppress(FileNotFoundError), path.open("rb") as file:
            file.seek(self._bytes)
            new = file.read()
            new = new[: new.rfind(b"\n") + 1]  # a row that is torn is completed at the next start
            self._bytes += len(new)
            self._rows += [line.decode().rstrip("\r\n").split(",") for line in new.splitlines(keepends=True)]
        if self._rows:
            at = self._rows[0].index("id")
            found = [row[at] for row in self._rows[1:]]
            assert found == self.ids[: len(found)], "left out, doubled, out of order, or not in the journal"

    def complete(self) -> None:
        """Hold every copy of every record against the journal, whole."""
        self.check()
        with closing(Reader(self._daemon.journal)) as reader:
            published = {
                str(record["id"]): json.loads(json.dumps(record))
                for entry in reader.replay(kinds=list(PUBLISHED_KINDS))
                for record in [publish(entry, reader.epoch, reader.station)]
            }
        assert list(published) == self.ids
        assert {name: json.loads(payload) for name, payload in self._payloads.items()} == published
        assert list(self._payloads) == self.ids
        taken = {record["id"]: record for record in self._receiver.taken}
        assert taken == {name: record for name, record in published.items() if not refused(record)}
        rows = {row["id"]: row for row in self._daemon.rows()}
        assert list(rows) == self.ids
        for name, record in published.items():
            row = rows[name]
            assert (row["hash"], row["indication"], row["raw"]) == (
                record["hash"],
                record["indication"],
                record["raw"],
            )


def begun(daemon: Daemon) -> subprocess.Popen[bytes]:
    """Start the daemon and do not wait until it listens."""
    file = daemon.folder / "station.toml"
    file.write_text(daemon.station, encoding="utf-8")
    with (daemon.folder / "daemon.log").open("a") as log:
        return subprocess.Popen(
            [sys.executable, "-m", "gaugepost", "run", str(file), "--port", "0"],
            stdout=subprocess.DEVNULL,
            stderr=log,
            env={**os.environ, **daemon.env},
        )


def killed(daemon: Daemon, moment: str, chance: random.Random, account: Account) -> bool:
    """Run the daemon and kill it at `moment`; return whether it was the kill that ended it."""
    wait = threading.Event().wait
    if moment == "start":
        with begun(daemon) as process:
            wait(chance.uniform(0, 1.5))
            process.kill()
        return process.returncode == -signal.SIGKILL
    process = daemon.start().process  # type: ignore[assignment]
    with following(daemon, account.after, account.told):
        for _ in range(chance.randrange(3)):
            piece = f"P-{account.after}-{chance.randrange(10**6)}"
            daemon.post("/tags", {"piece": piece}, "PUT")
            account.pieces.append(piece)
        wait(chance.uniform(0, 0.5))
        if moment == "drain":
            process.terminate()
            wait(chance.uniform(0, 0.2))
        daemon.kill()
    return process.returncode == -signal.SIGKILL


@pytest.mark.attack
def test_killed_200_times_every_record_is_accounted_for_everywhere(tmp_path: Path) -> None:
    """After every kill acknowledged ⊆ journal ⊆ sent; in the end each destination has each record, whole, in order.

    The same id has the same payload and the same key the same batch, always; the file has every row once.
    """
    chance = random.Random(200)
    daemon, deaths = Daemon(tmp_path, ""), 0
    with (
        Broker(tmp_path) as broker,
        # At QoS 0: one that acknowledges fails at that when the broker dies, and leaves what it was sent unread.
        Subscriber(broker, "#", "-i", "subscriber", "-q", "0") as subscriber,
        Receiver(refuses=refused) as receiver,
    ):
        account, outages = Account(daemon, receiver, subscriber), 0
        while deaths < KILLS:
            moment = chance.choice(MOMENTS)
            with ExitStack() as stack:
                ports = [stack.enter_context(Port()) for _ in range(GAUGES)]
                daemon.station = station(ports, broker, receiver)
                if moment == "outage":
                    broker.kill()
                    stack.enter_context(receiver.cut_off())
                with load(ports, account.sent, 0.05):
                    deaths += killed(daemon, moment, chance, account)
            if moment == "outage":
                outages += 1
                broker.start("clientid_prefixes subscriber")  # nobody else yet: it would miss what they say
                wait_until(lambda: subscriber.subscriptions == outages + 1, "the subscriber is back")  # noqa: B023
                broker.settle()
            account.check()
        with ExitStack() as stack:
            daemon.station = station([stack.enter_context(Port()) for _ in range(GAUGES)], broker, receiver)
            with daemon:
                delivered(daemon, "sheet", "broker", "mes")
                asides = standing(daemon, "mes")["refused"]
                until(daemon, lambda: len(daemon.rows()) > 0, "rows")
        subscriber.settled()
        account.complete()
    assert account.told, "nothing was ever told: the test proves nothing"
    assert account.pieces
    assert receiver.repeats, "no batch was ever repeated: no kill fell into one"
    assert asides == len(account.ids) - len(receiver.taken) > 0
