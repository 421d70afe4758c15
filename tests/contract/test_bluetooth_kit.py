"""The kit for links, held against Bluetooth LE: the library unmodified, on a bus and a service of our own."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from bleak.backends.bluezdbus.manager import get_global_bluez_manager

from gaugepost.contract import Link
from gaugepost.contract.kit import links
from gaugepost_adapters.links.bluetooth.link import BluetoothLeLink
from tests.bench_tools.bluetooth.bench import REQUESTS, VALUES, Far, gauge, radio_bench

pytestmark = pytest.mark.asyncio


async def test_bluetooth_le_keeps_the_contract(monkeypatch: pytest.MonkeyPatch) -> None:
    """A link to a gauge by radio keeps every promise of the kit."""

    @asynccontextmanager
    async def bench_of(now: links.Now) -> AsyncIterator[tuple[Link, links.FarSide]]:
        async with radio_bench(monkeypatch) as bench:
            await (
                get_global_bluez_manager()
            )  # the library's own connection, one a process, is no leak of a link
            thing = bench.place(gauge())
            settings = {"address": thing.address, "values": VALUES, "requests": REQUESTS}
            link = BluetoothLeLink(BluetoothLeLink.Settings.model_validate(settings), now)
            yield link, Far(bench, thing)
            await link.close()

    await links.check_link(bench_of)
