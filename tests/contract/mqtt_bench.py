"""What the tests of MQTT share: a destination made for a broker, opened, and what a subscriber has of it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from gaugepost.contract import StationFacts
from gaugepost_adapters.destinations.mqtt.destination import Mqtt
from gaugepost_adapters.destinations.mqtt.settings import MqttSettings
from tests.bench_tools.broker import PATIENCE_S, Broker, Heard

VERSIONS = ("5", "3.1.1")
STATUS = "gaugepost/bench 1/status"


def make(port: int, folder: Path = Path(), **settings: Any) -> Mqtt:
    given = {"host": "127.0.0.1", "port": port, "ack_timeout_s": 5.0, **settings}
    return Mqtt(MqttSettings(**given), StationFacts("bench 1", ZoneInfo("UTC"), folder))


@asynccontextmanager
async def opened(broker: Broker, **settings: Any) -> AsyncIterator[Mqtt]:
    destination = make(broker.port, broker.folder, **settings)
    await destination.open()
    try:
        yield destination
    finally:
        await destination.close()


async def until(true: Callable[[], bool]) -> None:
    """Wait until `true`, with the loop at work; fail where it never gets so."""
    async with asyncio.timeout(PATIENCE_S):
        while not true():  # noqa: ASYNC110 - what is waited for has no event of its own
            await asyncio.sleep(0.01)


def ids(heard: Sequence[Heard]) -> list[str]:
    """Ids of the records among what was heard, as often as they came."""
    return [each.json["id"] for each in heard if "id" in each.json]


def once(found: Sequence[str]) -> list[str]:
    """Without repeats, as a consumer sees it who tells them by their id."""
    return list(dict.fromkeys(found))
