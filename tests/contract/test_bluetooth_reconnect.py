"""What comes between a gauge by radio and its link, each as it was seen on the real service, and the way back."""

from __future__ import annotations

import asyncio
import os
import stat
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import pytest_asyncio
from bleak.backends.bluezdbus.version import BlueZFeatures

from gaugepost.contract import LinkLost
from gaugepost_adapters.links.bluetooth import gauge as connected, seeking
from gaugepost_adapters.links.bluetooth.link import BluetoothLeLink
from tests.bench_tools.bluetooth.bench import Bench, gauge, radio_bench, take
from tests.bench_tools.bluetooth.peripheral import Peripheral

pytestmark = pytest.mark.asyncio


@pytest_asyncio.fixture
async def bench(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Bench]:
    """A bench whose service runs."""
    async with radio_bench(monkeypatch) as made:
        yield made


async def carries(bench: Bench, link: BluetoothLeLink, own: Peripheral) -> None:
    """Hold that a packet comes through, once."""
    await bench.say(own, b"12.345", b"end")
    assert [chunk.data for chunk in await take(link, 2)] == [b"12.345", b"end"]


async def is_lost(link: BluetoothLeLink, why: str) -> None:
    """Hold that a link that is waited on tells its loss, without anybody asking the gauge."""
    with pytest.raises(LinkLost, match=why):
        await take(link, 1)
    await link.close()


@pytest.mark.parametrize("forgotten", [False, True])
async def test_out_of_range_and_back(bench: Bench, forgotten: bool) -> None:
    """A gauge that went out of range is lost at once and found again, also when the service has forgotten it."""
    own = bench.place(gauge())
    link = bench.link(address=own.address)
    await link.open()
    bench.service.drop(own)
    await is_lost(link, "disconnected; bring it near")
    if forgotten:
        bench.service.forget(own)
    await link.open()
    await carries(bench, link, own)
    await link.close()


async def test_the_service_ends_and_starts_again(bench: Bench) -> None:
    """A service that is killed is noticed, though the library is not; when it runs again the gauge is found again."""
    own, other = gauge(0x10), gauge(0x11)
    bench.place(own, other)
    opened = [bench.link(address=each.address) for each in (own, other)]
    await asyncio.gather(*(link.open() for link in opened))
    await bench.service.die()
    for link in opened:
        await is_lost(link, "Bluetooth service ended; install bluez")
    with pytest.raises(LinkLost, match="does not run; install bluez"):
        await opened[0].open()
    await bench.service.start()
    for link, each in zip(opened, (own, other), strict=True):
        await link.open()
        await carries(bench, link, each)
        await link.close()


async def test_the_bus_ends_and_starts_again(bench: Bench) -> None:
    """A system bus that ends is a loss like any other."""
    own = bench.place(gauge())
    link = bench.link(address=own.address)
    await link.open()
    bench.bus.stop()
    await is_lost(link, "disconnected|(D-Bus|service) ended")
    await bench.service.die()
    with pytest.raises(LinkLost, match="no D-Bus, so no Bluetooth; install bluez"):
        await link.open()
    bench.bus.start()
    await bench.service.start()
    await link.open()
    await carries(bench, link, own)
    await link.close()


async def test_the_adapter_is_switched_off_and_on(bench: Bench) -> None:
    """An adapter that is off is told as such, with how to switch it on; on again, its gauges come back."""
    own = bench.place(gauge())
    link = bench.link(address=own.address)
    await link.open()
    bench.service.power(on=False)
    await is_lost(link, "disconnected")
    with pytest.raises(LinkLost, match="adapter is off; switch it on"):
        await link.open()
    bench.service.power(on=True)
    await link.open()
    await carries(bench, link, own)
    await link.close()


async def test_an_adapter_that_was_off_for_a_moment_scans_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A scan that an adapter's being off ended unsaid is begun anew, also while another link goes on seeking."""
    own = gauge()
    link, absent = bench.link(address=own.address), bench.link(address="00:00:5E:00:53:77")
    monkeypatch.setattr(seeking, "SEEK_S", 120.0)
    waiting = asyncio.ensure_future(absent.open())
    while not bench.service.scanning():  # noqa: ASYNC110 - no event for it
        await asyncio.sleep(0.01)
    bench.service.power(on=False)
    bench.service.power(on=True)
    bench.place(own)
    monkeypatch.setattr(seeking, "SEEK_S", 0.3)
    with pytest.raises(LinkLost, match="was not heard"):
        await link.open()
    monkeypatch.setattr(seeking, "SEEK_S", 60.0)
    await link.open()
    assert not waiting.done()
    await carries(bench, link, own)
    waiting.cancel()
    await asyncio.wait([waiting])
    await link.close()


async def test_a_link_that_a_killed_process_left_is_taken_over(bench: Bench) -> None:
    """A gauge that is still connected does not advertise: its connection is taken over."""
    own = bench.place(gauge())
    await bench.service.left_connected(own)
    link = bench.link(address=own.address)
    await link.open()
    await carries(bench, link, own)
    await link.close()
    called = [call for _, call in bench.service.calls]
    assert "Connect" not in called
    assert "StartDiscovery" not in called


async def test_a_given_up_look_at_the_version_blocks_nobody(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A first opening that is cancelled while the library asks for the service's version does not hang the next one."""
    monkeypatch.setattr(BlueZFeatures, "checked_bluez_version", False)
    monkeypatch.setattr(BlueZFeatures, "_check_bluez_event", None)
    program, asked = tmp_path / "bluetoothctl", tmp_path / "asked"
    program.write_text(f"#!/bin/sh\ntouch {asked}\nsleep 0.5\necho 'bluetoothctl: 5.66'\n", encoding="utf-8")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
    own = bench.place(gauge())
    link = bench.link(address=own.address)
    opening = asyncio.ensure_future(link.open())
    while not asked.exists():  # noqa: ASYNC110 - another process makes it
        await asyncio.sleep(0.01)
    opening.cancel()
    await asyncio.wait([opening])
    assert opening.cancelled()
    async with asyncio.timeout(60):
        await link.open()
    await carries(bench, link, own)
    await link.close()


async def test_cancelled_is_cancelled(bench: Bench) -> None:
    """An opening that is cancelled while the gauge does not answer ends as cancelled, whatever tidying up raises."""
    own = bench.place(gauge())
    own.mute.add("Connect")
    own.refuses["Disconnect"] = ("org.bluez.Error.Failed", "no")
    link = bench.link(address=own.address)
    opening = asyncio.ensure_future(link.open())
    while "Connect" not in [call for _, call in bench.service.calls]:  # noqa: ASYNC110 - no event for it
        await asyncio.sleep(0.01)
    opening.cancel()
    await asyncio.wait([opening])
    assert opening.cancelled()
    own.mute.clear()
    await link.open()
    await carries(bench, link, own)
    await link.close()


async def test_a_disconnect_without_an_answer_ends(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Closing is over in bounded time though the service does not answer, and the link that is left is taken over."""
    own = bench.place(gauge())
    link = bench.link(address=own.address)
    await link.open()
    own.mute.add("Disconnect")
    with monkeypatch.context() as soon:
        soon.setattr(connected, "STEP_S", 0.2)
        async with asyncio.timeout(60):
            await link.close()
    own.mute.clear()
    assert bench.service.connected(own)
    await link.open()
    await carries(bench, link, own)
    await link.close()


@pytest.mark.parametrize("call", ["Connect", "StartNotify"])
async def test_what_is_refused_once_works_the_next_time(bench: Bench, call: str) -> None:
    """An error at any step is a loss with a remedy, and leaves nothing that would be in the way."""
    own = bench.place(gauge())
    own.refuses[call] = ("org.bluez.Error.Failed", "le-connection-abort")
    link = bench.link(address=own.address)
    with pytest.raises(LinkLost, match="le-connection-abort; switch"):
        await link.open()
    await link.open()
    await carries(bench, link, own)
    await link.close()


@pytest.mark.attack
async def test_a_thousand_reconnects_leave_nothing(bench: Bench) -> None:
    """Lost and found a thousand times, in every way, a link comes to hold no more than in the first ten times."""
    own = bench.place(gauge())
    link = bench.link(address=own.address)
    held = 0
    for turn in range(1000):
        await link.open()
        await carries(bench, link, own)
        if turn % 3 == 0:
            bench.service.drop(own)
            await is_lost(link, "disconnected")
        elif turn % 100 == 50:
            await bench.service.die()
            await is_lost(link, "service ended")
            await bench.service.start()
        await link.close()
        if turn % 7 == 0:
            bench.service.forget(own)
        if turn < 10:
            held = max(held, _held())
    async with asyncio.timeout(30):  # what is just ending ends; what leaks stays
        while _held() > held:  # noqa: ASYNC110 - nothing tells of it
            await asyncio.sleep(0.05)


def _held() -> int:
    return len(asyncio.all_tasks()) + len(list(Path("/proc/self/fd").iterdir()))
