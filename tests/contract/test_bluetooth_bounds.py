"""Every step of a gauge by radio takes bounded time: whichever call is never answered, the link comes back after."""

from __future__ import annotations

import asyncio
import os
import signal
import stat
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import pytest_asyncio
from bleak.backends.bluezdbus.version import BlueZFeatures

from gaugepost.contract import LinkLost
from gaugepost_adapters.links.bluetooth import bluez, faults, gauge as connected, radio, seeking
from gaugepost_adapters.links.bluetooth.link import BluetoothLeLink
from tests.bench_tools.bluetooth.bench import REQUESTS, Bench, gauge, radio_bench, take
from tests.bench_tools.bluetooth.peripheral import Characteristic, Peripheral

pytestmark = pytest.mark.asyncio
SOON_S = 0.3
LATEST_S = 60
"""How long anything may take here; it bounds a failure, and measures nothing."""


@pytest_asyncio.fixture
async def bench(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Bench]:
    """A bench whose service runs; every bound is short."""
    async with radio_bench(monkeypatch) as made:
        with monkeypatch.context() as soon:
            for room, bound in (
                (bluez, "_ANSWER_S"), (connected, "CONNECT_S"), (connected, "STEP_S"), (faults, "LET_GO_S"),
                (radio, "_STEP_S"), (seeking, "SEEK_S"), (seeking, "AGAIN_S"),
            ):  # fmt: skip
                soon.setattr(room, bound, SOON_S)
            yield made


async def comes_back(
    bench: Bench, link: BluetoothLeLink, own: Peripheral, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Hold that the link opens as soon as all is answered again, and carries."""
    own.mute.clear()
    bench.service.mute.clear()
    monkeypatch.undo()
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bench.bus.address)
    async with asyncio.timeout(LATEST_S):
        while True:
            try:
                await link.open()
                break
            except LinkLost:  # what hung before may still be ending
                await asyncio.sleep(0.1)
    await bench.say(own, b"12.345")
    assert (await take(link, 1))[0].data == b"12.345"
    await link.close()


@pytest.mark.parametrize(
    "call",
    ["GetManagedObjects", "SetDiscoveryFilter", "StartDiscovery", "StopDiscovery", "Connect", "StartNotify"],
)
async def test_opening_ends(bench: Bench, monkeypatch: pytest.MonkeyPatch, call: str) -> None:
    """Whichever call of an opening is never answered, it ends with what to do, and the next one opens."""
    own = bench.place(gauge())
    (own if call in ("Connect", "StartNotify") else bench.service).mute.add(call)
    link = bench.link(address=own.address)
    async with asyncio.timeout(LATEST_S):
        if call == "StopDiscovery":  # a scan that does not end keeps no gauge from its values
            await link.open()
        else:
            with pytest.raises(LinkLost, match=r"nothing within|was not heard"):
                await link.open()
        await link.close()
    if call == "StopDiscovery":
        assert bench.service.scanning()
    await comes_back(bench, link, own, monkeypatch)


async def test_what_a_gauge_need_not_tell_holds_nothing_up(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A gauge that answers to no read about itself or its battery is connected all the same."""
    own = gauge(
        more={"180A": [Characteristic("2A25", ("read",))], "180F": [Characteristic("2A19", ("read",))]}
    )
    bench.place(own)
    own.mute.add("ReadValue")
    link = bench.link(address=own.address)
    async with asyncio.timeout(LATEST_S):
        await link.open()
    await bench.say(own, b"7.891")
    assert (await take(link, 1))[0].data == b"7.891"
    await link.close()


@pytest.mark.parametrize("call", ["WriteValue", "ReadValue"])
async def test_asking_ends(bench: Bench, monkeypatch: pytest.MonkeyPatch, call: str) -> None:
    """A request that is never taken, or a read that is never answered, is a loss in bounded time."""
    own = bench.place(gauge(more={"181A": [Characteristic("2A6E", ("read",), b"\x5c\x08")]}))
    how = {"requests": REQUESTS} if call == "WriteValue" else {"values": "2A6E", "told": "on-request"}
    link = bench.link(address=own.address, **how)
    await link.open()
    own.mute.add(call)
    async with asyncio.timeout(LATEST_S):
        with pytest.raises(LinkLost, match="nothing within"):
            await link.send(b"?\r")
        await link.close()


async def test_a_program_that_does_not_end_blocks_nobody(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the program that tells the service's version hangs, opening ends, and opens once that is over."""
    monkeypatch.setattr(BlueZFeatures, "checked_bluez_version", False)
    monkeypatch.setattr(BlueZFeatures, "_check_bluez_event", None)
    program, asked = tmp_path / "bluetoothctl", tmp_path / "asked"
    program.write_text(f"#!/bin/sh\necho $$ > {asked}\nexec sleep 600\n", encoding="utf-8")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    own = bench.place(gauge())
    link = bench.link(address=own.address)
    with monkeypatch.context() as hanging:
        hanging.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
        tasks = len(asyncio.all_tasks())
        async with asyncio.timeout(LATEST_S):
            while not asked.exists() or not asked.read_text():
                with pytest.raises(LinkLost, match="bluetoothctl --version does not end"):
                    await link.open()
            for _ in range(3):
                with pytest.raises(LinkLost, match="does not end"):
                    await link.open()
        assert len(asyncio.all_tasks()) <= tasks + 1
    os.kill(int(asked.read_text()), signal.SIGKILL)
    await comes_back(bench, link, own, monkeypatch)
