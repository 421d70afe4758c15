"""The whole daemon and a real broker that is killed, frozen and started again: every reading arrives, in order."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.bench_tools.accounts import STATUS, delivered, first_seen, journalled, show, standing
from tests.bench_tools.broker import Broker, Subscriber, until
from tests.bench_tools.daemon import Daemon, Port, station_file

pytestmark = pytest.mark.attack

KILLS = 5
FREEZES = 3


def station(port: Port, broker: Broker, more: str = "") -> str:
    table = f"""
[destinations.broker]
kind = "mqtt"
host = "127.0.0.1"
port = {broker.port}
ack_timeout_s = 0.5
connect_timeout_s = 2
{more}
"""
    return station_file([port], extra=table)


def statuses(subscriber: Subscriber) -> list[dict[str, Any]]:
    return [each.json for each in subscriber.heard if each.topic == STATUS]


@pytest.fixture
def port() -> Iterator[Port]:
    with Port() as port:
        yield port


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_from_the_gauge_to_the_subscriber(tmp_path: Path, port: Port, version: str) -> None:
    """Each reading arrives once, in order, as the journal has it; the station is online, then offline."""
    with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        with Daemon(tmp_path, station(port, broker, f'version = "{version}"')) as daemon:
            show(port, range(1, 101))
            daemon.wait_for(100, kind="reading")
            delivered(daemon, "broker")
            published = list(daemon.records(kind="reading"))
            assert daemon.stop() == 0
        heard = subscriber.settled()
    readings = [each for each in heard if each.topic == "gaugepost/test bench/g0/reading"]
    assert [each.json for each in readings] == published
    assert [each.json["indication"] for each in readings] == [f"38.{n:04}" for n in range(1, 101)]
    assert [each.json["id"] for each in heard if each.topic != STATUS] == journalled(daemon)
    assert [said["status"] for said in statuses(subscriber)] == ["online", "offline"]


def test_the_last_will_of_a_killed_daemon(tmp_path: Path, port: Port) -> None:
    """After SIGKILL the broker says that the station is offline, since when nobody knows; a start puts it right."""
    with Broker(tmp_path) as broker, Subscriber(broker, STATUS) as subscriber:

        def said(count: int) -> list[dict[str, Any]]:
            until(lambda: len(statuses(subscriber)) >= count, f"status {count}")
            return statuses(subscriber)

        daemon = Daemon(tmp_path, station(port, broker)).start()
        (online,) = said(1)
        daemon.kill()
        assert said(2)[1] == {
            "status": "offline",
            "station": "test bench",
            "connected_at": online["connected_at"],
        }
        with Subscriber(broker, STATUS) as late:
            (kept,) = late.settled()
            assert kept.retained
            assert kept.json["status"] == "offline"
        with daemon:
            assert said(3)[2]["status"] == "online"


def test_a_killed_daemon_loses_and_doubles_nothing(tmp_path: Path, port: Port) -> None:
    """Over one SIGKILL in the midst of a delivery each reading is there, in order; repeats have the same id."""
    with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        daemon = Daemon(tmp_path, station(port, broker, "max_in_flight = 5")).start()
        show(port, range(1, 301))
        until(lambda: len(subscriber.heard) > 50, "some arrive")
        daemon.kill()
        with Port() as other:
            daemon.station = station(other, broker)
            with daemon:
                show(other, range(301, 401))
                daemon.wait_for(1, kind="reading", after=0)
                until(
                    lambda: [r["indication"] for r in daemon.records(kind="reading")][-1:] == ["38.0400"],
                    "the last",
                )
                delivered(daemon, "broker")
                recorded = [record["id"] for record in daemon.records(kind="reading")]
        heard = subscriber.settled()
    assert first_seen(heard) == journalled(daemon)
    assert set(recorded) <= set(first_seen(heard))


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_readings_arrive_though_the_broker_is_killed(tmp_path: Path, port: Port, version: str) -> None:
    """Killed in the midst of a batch, and away for a while: nothing it had acknowledged is missing, all comes in order.

    While it is away the journal goes on, and the delivery says what it waits for.
    """
    with (
        Broker(tmp_path) as broker,
        # At QoS 0: one that acknowledges fails at that when the broker dies, and leaves what it was sent unread.
        Subscriber(broker, "#", "-i", "subscriber", "-q", "0") as subscriber,
        Daemon(tmp_path, station(port, broker, f'version = "{version}"\nmax_in_flight = 10')) as daemon,
    ):
        for kill in range(KILLS):
            heard = len(subscriber.heard)
            show(port, range(200 * kill + 1, 200 * kill + 101))
            until(lambda: len(subscriber.heard) > heard + 10 * (kill % 4), "some of a batch are there")  # noqa: B023
            broker.kill()
            show(port, range(200 * kill + 101, 200 * kill + 201))
            daemon.wait_for(200 * (kill + 1), kind="reading")
            until(lambda: standing(daemon, "broker")["state"] == "unreachable", "unreachable")
            assert f"127.0.0.1:{broker.port}" in standing(daemon, "broker")["last_error"]
            broker.start("clientid_prefixes subscriber")  # what comes while it is not there is lost to it
            until(lambda: subscriber.subscriptions == kill + 2, "the subscriber is back")  # noqa: B023
            broker.settle()
            delivered(daemon, "broker")
        assert daemon.stop() == 0
        heard_of = first_seen(subscriber.settled())
    assert heard_of == journalled(daemon)
    assert len(heard_of) == 200 * KILLS


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_readings_arrive_though_the_broker_freezes(tmp_path: Path, port: Port, version: str) -> None:
    """A broker that keeps its connections and does nothing is noticed, and afterwards nothing is missing or astray."""
    with (
        Broker(tmp_path) as broker,
        Subscriber(broker) as subscriber,
        Daemon(tmp_path, station(port, broker, f'version = "{version}"\nmax_in_flight = 10')) as daemon,
    ):
        for freeze in range(FREEZES):
            show(port, range(200 * freeze + 1, 200 * freeze + 101))
            with broker.frozen():
                show(port, range(200 * freeze + 101, 200 * freeze + 201))
                daemon.wait_for(200 * (freeze + 1), kind="reading")
                until(lambda: standing(daemon, "broker")["state"] == "unreachable", "unreachable")
                assert "s; look" in standing(daemon, "broker")["last_error"]
            delivered(daemon, "broker")
        with Subscriber(broker, STATUS) as late:
            (kept,) = late.settled()
            assert kept.json["status"] == "online"
        assert daemon.stop() == 0
        heard_of = first_seen(subscriber.settled())
    assert heard_of == journalled(daemon)
    assert len(heard_of) == 200 * FREEZES


def test_readings_arrive_once_the_broker_lets_them(tmp_path: Path, port: Port) -> None:
    """A station that the broker does not let in keeps its readings, says why, and delivers them when it is let in."""
    with Broker(tmp_path) as broker, Subscriber(broker, "#", "-i", "subscriber") as subscriber:
        broker.kill()
        broker.start("clientid_prefixes subscriber")
        with Daemon(tmp_path, station(port, broker)) as daemon:
            show(port, range(1, 101))
            daemon.wait_for(100, kind="reading")
            until(lambda: standing(daemon, "broker")["state"] == "unreachable", "unreachable")
            assert "refuses the connection: 0x" in standing(daemon, "broker")["last_error"]
            until(lambda: subscriber.subscriptions == 2, "the subscriber is back")
            broker.settle()
            delivered(daemon, "broker")
            assert daemon.stop() == 0
        assert first_seen(subscriber.settled()) == journalled(daemon)
