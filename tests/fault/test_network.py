"""The whole daemon behind a bad network: everything arrives, in order, once, and nobody else waits for it."""

from __future__ import annotations

import datetime
import random
import ssl
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.bench_tools.accounts import delivered, first_seen, journalled, show, standing, until
from tests.bench_tools.broker import Broker, Certificates, Subscriber
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.proxy import Cut, Fate, Mute, OneWay, Proxy
from tests.bench_tools.receiver import Receiver
from tests.cli.daemons import gaugepost

DAY = datetime.timedelta(days=1)
OTHER = {"broker": "mes", "mes": "broker"}
FATES: dict[str, Fate] = {
    "accepts and says nothing": Mute(),
    "lets nothing back": OneWay("there"),
    "lets nothing there": OneWay("back"),
    "resets within a record": Cut(900),
    "closes within a record": Cut(900, reset=False),
    "resets within an answer": Cut(2, "back"),
    "closes within an answer": Cut(2, "back", reset=False),
}


@dataclass
class Bench:
    """A daemon with a gauge, a CSV file, and a broker and a receiver that it reaches through proxies."""

    daemon: Daemon
    port: Port
    receiver: Receiver
    subscriber: Subscriber
    ways: dict[str, Proxy]
    shown: int = 0

    def show(self, count: int) -> None:
        """Show so many more values, and wait until they are journalled."""
        show(self.port, range(self.shown + 1, self.shown + count + 1))
        self.shown += count
        self.daemon.wait_for(self.shown, kind="reading")

    def sick(self, name: str) -> str:
        """Wait until one can't be reached while the others have everything; return what is said about it."""
        delivered(self.daemon, "sheet", OTHER[name])
        until(
            self.daemon, lambda: standing(self.daemon, name)["state"] == "unreachable", f"{name} unreachable"
        )
        assert standing(self.daemon, name)["lag"] > 0
        listed = gaugepost("deliveries", at=self.daemon.address).stdout
        (line,) = [line for line in listed.splitlines() if line.startswith(name)]
        assert "unreachable" in line
        said = str(standing(self.daemon, name)["last_error"])
        assert str(self.ways[name].port) in said
        return said

    def account(self) -> None:
        """Have everything delivered, and hold what each far side has against the journal."""
        delivered(self.daemon, "sheet", "broker", "mes")
        ids = journalled(self.daemon)
        assert len(ids) == self.shown
        assert [row["id"] for row in self.daemon.rows()] == ids
        assert self.receiver.ids == ids
        assert self.receiver.mismatches == 0
        assert first_seen(self.subscriber.settled()) == ids


@contextmanager
def bench(folder: Path) -> Iterator[Bench]:
    with ExitStack() as held:
        broker, receiver = held.enter_context(Broker(folder)), held.enter_context(Receiver())
        subscriber, port = held.enter_context(Subscriber(broker)), held.enter_context(Port())
        mqtt, rest = (held.enter_context(Proxy(behind)) for behind in (broker.port, receiver.port))
        tables = f"""
[destinations.broker]
kind = "mqtt"
host = "127.0.0.1"
port = {mqtt.port}
status_topic = ""
max_in_flight = 10
ack_timeout_s = 1
connect_timeout_s = 1
[destinations.mes]
kind = "rest_push"
url = "http://127.0.0.1:{rest.port}/records"
most_records = 10
read_timeout_s = 1
"""
        daemon = held.enter_context(Daemon(folder, station_file([port], extra=tables)))
        yield Bench(daemon, port, receiver, subscriber, {"broker": mqtt, "mes": rest})


@pytest.mark.parametrize("name", OTHER)
def test_a_peer_that_vanishes_delays_nobody_else(tmp_path: Path, name: str) -> None:
    """Without a FIN or a word it is noticed, told, and waited out; afterwards everything is there."""
    with bench(tmp_path) as at:
        at.show(10)
        delivered(at.daemon, name)
        with at.ways[name].vanished():
            at.show(30)
            at.sick(name)
        at.account()


@pytest.mark.attack
@pytest.mark.parametrize("name", OTHER)
@pytest.mark.parametrize("fate", FATES)
def test_a_connection_that_comes_to_a_bad_end(tmp_path: Path, name: str, fate: str) -> None:
    """Whatever becomes of its connections, the others have everything, and it has as soon as one of its is sound."""
    with bench(tmp_path) as at:
        at.show(10)
        delivered(at.daemon, name)
        way = at.ways[name]
        way.fates.extend([FATES[fate]] * 2)
        with way.refusing():
            at.show(30)
            at.sick(name)
        until(at.daemon, lambda: not way.fates, "both have come to their end")
        at.account()
        assert way.cuts or not isinstance(FATES[fate], Cut)


@pytest.mark.attack
def test_bad_weather(tmp_path: Path) -> None:
    """Slow, uneven and cut off at random places, both deliver everything, in order, under its id."""
    chance = random.Random(8)
    with bench(tmp_path) as at:
        for way in at.ways.values():
            with way.refusing():  # of one that is there already nothing becomes
                way.delay_s, way.jitter_s, way.bytes_per_s = 0.005, 0.02, 500_000
                way.fates.extend(
                    Cut(chance.randrange(1, 60_000), "there", chance.random() < 0.5)
                    if chance.random() < 0.7
                    else Cut(chance.randrange(1, 400), "back", chance.random() < 0.5)
                    for _ in range(8)
                )
        at.show(400)
        at.account()
        assert all(way.cuts for way in at.ways.values())


@pytest.mark.attack
@pytest.mark.parametrize("bad", ["another name", "expired"])
def test_a_bad_certificate_is_told_nothing(tmp_path: Path, bad: str) -> None:
    """Nothing is sent and the status says why; with the certificates put right everything goes out."""
    certificates, expired = Certificates(tmp_path), bad == "expired"
    name = "localhost" if expired else "far.example"
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    end = datetime.datetime.now(datetime.UTC) - DAY if expired else None
    certificates.authority.issue_cert(name, not_after=end).configure_cert(tls)
    lines = (*certificates.broker(name, expired=expired), "max_inflight_messages 0", "max_queued_messages 0")
    with Broker(tmp_path, lines) as broker, Receiver(tls=tls) as receiver, Port() as port:
        tables = f"""
[destinations.broker]
kind = "mqtt"
host = "localhost"
port = {broker.port}
tls = true
ca_file = "{certificates.ca_file}"
[destinations.mes]
kind = "rest_push"
url = "https://localhost:{receiver.port}/records"
ca_file = "{certificates.ca_file}"
"""
        with Daemon(tmp_path, station_file([port], extra=tables)) as daemon:
            show(port, range(1, 21))
            daemon.wait_for(20, kind="reading")
            delivered(daemon, "sheet")
            finding = "certificate has expired" if expired else "Hostname mismatch"
            for far in OTHER:
                until(daemon, lambda: standing(daemon, far)["state"] == "unreachable", f"{far} unreachable")  # noqa: B023
                assert finding in standing(daemon, far)["last_error"]
            assert finding in gaugepost("deliveries", at=daemon.address).stdout
            assert receiver.requests == []
            assert "New client connected" not in broker.log()
            broker.kill()
            certificates.broker()
            broker.start()
            certificates.authority.issue_cert("localhost").configure_cert(tls)
            for far in OTHER:
                daemon.post(f"/destinations/{far}/retry", {"operator": "M2"})
            delivered(daemon, *OTHER)
            assert receiver.ids == journalled(daemon)
            assert len(receiver.ids) == 20
