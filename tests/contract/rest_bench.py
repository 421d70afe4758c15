"""What the tests of JSON over HTTP share: a destination made for a real receiver, and batches sent to it."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from gaugepost.contract import Outcome, Publication, StationFacts
from gaugepost.contract.kit.destinations import EPOCH
from gaugepost_adapters.destinations.rest_push.destination import RestPush
from gaugepost_adapters.destinations.rest_push.settings import RestSettings


def make(url: str, folder: Path, **settings: Any) -> RestPush:
    return RestPush(RestSettings(url=url, **settings), StationFacts("bench 1", ZoneInfo("UTC"), folder))


@asynccontextmanager
async def opened(url: str, folder: Path, **settings: Any) -> AsyncIterator[RestPush]:
    destination = make(url, folder, **settings)
    await destination.open()
    try:
        yield destination
    finally:
        await destination.close()


def key(batch: Sequence[Publication]) -> str:
    """The key that a delivery gives to a batch."""
    return f"{EPOCH}-{batch[0]['sequence']}-{batch[-1]['sequence']}"


async def deliver(url: str, folder: Path, batch: Sequence[Publication], **settings: Any) -> Outcome:
    async with opened(url, folder, **settings) as destination:
        return await destination.deliver(batch, key(batch))
