"""Records and status as a subscriber has them, and who may publish: with a real broker, in both versions."""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from gaugepost.contract import Outcome, Unreachable
from gaugepost.contract.kit.destinations import samples
from tests.bench_tools.broker import PATIENCE_S, Broker, Heard, Subscriber
from tests.contract.mqtt_bench import STATUS, VERSIONS, ids, make, once, opened, until

pytestmark = pytest.mark.asyncio
both = pytest.mark.parametrize("version", VERSIONS)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path) as broker:
        yield broker


def statuses(heard: list[Heard]) -> list[dict[str, Any]]:
    return [each.json for each in heard if each.topic == STATUS]


def records(heard: list[Heard]) -> list[Heard]:
    return [each for each in heard if each.topic != STATUS]


def kept(broker: Broker, topic: str) -> list[Heard]:
    """What the broker has kept for whoever comes now."""
    with Subscriber(broker, topic) as late:
        return late.settled()


@both
async def test_the_payload_is_the_record(broker: Broker, version: str) -> None:
    """Compact JSON in UTF-8, name for name as published everywhere, under the record's topic, at QoS 1, once."""
    batch = samples(1, 10)
    with Subscriber(broker) as subscriber:
        async with opened(
            broker, version=version, topic="shop/{station}/{gauge}/{kind}/{lot}"
        ) as destination:
            assert await destination.deliver(batch, "1-10") == Outcome(10)
        heard = records(subscriber.settled())
    assert [each.json for each in heard] == batch
    assert [list(each.json) for each in heard] == [list(record) for record in batch]
    assert "Los Süd/7".encode() in heard[1].payload
    assert all(
        each.payload == json.dumps(each.json, ensure_ascii=False, separators=(",", ":")).encode()
        for each in heard
    )
    assert {each.qos for each in heard} == {1}
    assert not any(each.retained for each in heard)
    assert [each.topic.removeprefix("shop/bench 1/bore-40/reading/") for each in heard[:3]] == [
        "-", "Los Süd%2F7", "=2%2B3;\"a\"",
    ]  # fmt: skip


async def test_properties_say_what_it_is(broker: Broker) -> None:
    """With MQTT 5 id, kind, format and content type can be read without the payload; it lives as long as was said."""
    with Subscriber(broker) as subscriber:
        async with opened(broker, expiry_s=3600) as destination:
            await destination.deliver(samples(1, 2), "1-2")
        first, second = records(subscriber.settled())
    assert 3500 < int(first.properties.pop("expiry")) <= 3600
    assert first.properties == {
        "id": first.json["id"], "kind": "reading", "format": "1", "content type": "application/json",
    }  # fmt: skip
    assert second.properties["id"] == second.json["id"] != first.json["id"]


async def test_without_expiry_a_record_waits_for_ever(broker: Broker) -> None:
    """No expiry is sent where none is set, and none at all with 3.1.1."""
    with Subscriber(broker) as subscriber:
        for version in VERSIONS:
            async with opened(broker, version=version) as destination:
                await destination.deliver(samples(1, 1), "1-1")
        five, three = records(subscriber.settled())
    assert "expiry" not in five.properties
    assert three.properties == {}


@both
async def test_the_last_record_is_kept_where_asked(broker: Broker, version: str) -> None:
    """Who subscribes later gets the last record of each topic; where it was not asked for, nothing."""
    for retain in (False, True):
        async with opened(broker, version=version, retain=retain) as destination:
            await destination.deliver(samples(1, 7), "1-7")
        heard = kept(broker, "gaugepost/+/+/reading")
        assert [each.json["sequence"] for each in heard] == ([7] if retain else [])
    assert heard[0].retained


@both
async def test_the_status_is_kept_and_true(broker: Broker, version: str) -> None:
    """Online while it is open, offline once it is closed: retained, with the station and the times."""
    async with opened(broker, version=version):
        (online,) = kept(broker, STATUS)
    (offline,) = kept(broker, STATUS)
    assert online.retained
    assert offline.retained
    assert online.json == {
        "status": "online", "station": "bench 1",
        "connected_at": online.json["since"], "since": online.json["since"],
    }  # fmt: skip
    assert offline.json["status"] == "offline"
    assert offline.json["connected_at"] == online.json["since"] <= offline.json["since"]


async def test_no_status_where_none_is_wanted(broker: Broker) -> None:
    """With an empty status topic nothing but records is published."""
    with Subscriber(broker) as subscriber:
        async with opened(broker, status_topic="") as destination:
            await destination.deliver(samples(1, 1), "1-1")
        (only,) = subscriber.settled()
    assert only.json["sequence"] == 1


@both
async def test_the_status_comes_back_by_itself(tmp_path: Path, version: str) -> None:
    """A broker that was started again is told that the station is online though nothing is to be delivered."""
    with Broker(tmp_path) as broker, capture_logs() as logs:
        async with opened(broker, version=version) as destination:
            with broker.away():
                pass
            with Subscriber(broker, STATUS) as subscriber:
                await until(lambda: bool(subscriber.heard))
                assert subscriber.heard[0].json["status"] == "online"
            assert await destination.deliver(samples(1, 1), "1-1") == Outcome(1)
    assert [line["event"] for line in logs] == ["connection lost", "connected again"]


@both
async def test_two_under_one_name_are_told(broker: Broker, version: str) -> None:
    """A second connection with the same client id throws the first one out, and the log says what may be the matter."""
    with capture_logs() as logs:
        async with opened(broker, version=version), opened(broker, version=version, status_topic=""):
            pass  # another status topic is another id
        assert logs == []
        async with opened(broker, version=version), opened(broker, version=version):
            await until(lambda: bool(logs))
    assert "another connection under the same client id" in logs[0]["reason"]


def with_users(folder: Path) -> tuple[str, ...]:
    """Lines for a broker that knows the user bench, and what that user may publish to: the status, and bore-40."""
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(folder / "users"), "bench", "s3 cret"], check=True)
    allow(folder, "bore-40")
    return (
        "allow_anonymous false", f"password_file {folder / 'users'}", f"acl_file {folder / 'acl'}",
        "max_inflight_messages 0",
    )  # fmt: skip


def allow(folder: Path, *gauges: str) -> None:
    lines = ["user bench", f"topic write {STATUS}", "topic read #", "topic write marker"]
    (folder / "acl").write_text(
        "\n".join(lines + [f"topic write gaugepost/bench 1/{g}/#" for g in gauges] + [""])
    )


@both
async def test_who_is_not_known_is_told_what_to_put_right(tmp_path: Path, version: str) -> None:
    """A wrong password, or none, is `Unreachable` with the broker's reason; the right one, put there later, gets in."""
    with Broker(tmp_path, with_users(tmp_path)) as broker:
        login = {"version": version, "username": "bench", "password_file": "secret"}
        (tmp_path / "secret").write_text("wrong")
        destination = make(broker.port, tmp_path, **login)
        for who in (destination, make(broker.port, tmp_path, version=version)):
            with pytest.raises(Unreachable, match=r"refuses the connection: 0x8[67] .*; \w+") as error:
                await who.open()
            assert "wrong" not in str(error.value)
            await who.close()
        (tmp_path / "secret").write_text("s3 cret\n")
        await destination.open()
        assert await destination.deliver(samples(1, 3), "1-3") == Outcome(3)
        await destination.close()


async def test_what_may_not_be_published_is_kept(tmp_path: Path) -> None:
    """With MQTT 5 the broker says so: the records before are delivered, the rest waits until it is allowed."""
    batch = [
        {**record, "gauge": "bore-60" if record["sequence"] == 4 else "bore-40"} for record in samples(1, 9)
    ]
    with Broker(tmp_path, with_users(tmp_path)) as broker:
        (tmp_path / "secret").write_text("s3 cret")
        login = ("-u", "bench", "-P", "s3 cret")
        with Subscriber(broker, "gaugepost/#", *login) as subscriber:
            async with opened(broker, username="bench", password_file="secret") as destination:
                assert await destination.deliver(batch, "1-9") == Outcome(3)
                with pytest.raises(Unreachable, match=r"0x87 not authorized.*have the broker allow"):
                    await destination.deliver(batch[3:], "4-9")
                allow(tmp_path, "bore-40", "bore-60")
                assert broker.process is not None
                broker.process.send_signal(signal.SIGHUP)
                rest = batch[3:]
                async with asyncio.timeout(PATIENCE_S):
                    while rest:  # it reads its files again in its own time
                        with suppress(Unreachable):
                            outcome = await destination.deliver(rest, "4-9")
                            rest = [
                                record for record in rest if int(str(record["sequence"])) > outcome.through
                            ]
                await until(lambda: len(set(ids(subscriber.heard))) == 9)
        assert sorted(once(ids(subscriber.heard))) == sorted(str(record["id"]) for record in batch)


async def test_version_3_can_not_say_that_it_drops(tmp_path: Path) -> None:
    """With 3.1.1 a broker acknowledges what it does not let through (3.1.1, 3.3.5.2): so version 5 is the default."""
    with Broker(tmp_path, with_users(tmp_path)) as broker:
        (tmp_path / "secret").write_text("s3 cret")
        batch = [{**record, "gauge": "bore-60"} for record in samples(1, 2)]
        async with opened(broker, version="3.1.1", username="bench", password_file="secret") as destination:
            assert await destination.deliver(batch, "1-2") == Outcome(2)
