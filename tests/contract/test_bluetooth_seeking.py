"""A gauge that is away and the others: scanning takes the radio's time from them, so it is done in goes."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Mapping
from typing import Any

import pytest
import pytest_asyncio
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from gaugepost.contract import LinkLost
from gaugepost.contract.present import Seeks
from gaugepost_adapters.links.bluetooth import radio, seeking
from gaugepost_adapters.links.bluetooth.link import BluetoothLeLink
from gaugepost_adapters.links.bluetooth.radio import Radio
from gaugepost_adapters.links.bluetooth.seeking import Pauses, Wanted
from tests.bench_tools import virtual
from tests.bench_tools.bluetooth.bench import Bench, gauge, radio_bench, take
from tests.bench_tools.bluetooth.peripheral import Peripheral

HOUR_S = 3600.0
NEAR = BLEDevice("00:00:5E:00:53:10", "bore gauge", {"path": "/org/bluez/hci0/dev_10"})
FAR = [Wanted(f"00:00:5E:00:53:{at:02X}", None, None) for at in range(0x20, 0x26)]


def test_pauses_grow_up_to_a_bound_and_begin_anew() -> None:
    """Each go without the gauge doubles the pause up to half a minute; found or wanted, it is due at once."""
    pauses, other = Pauses(), FAR[1]
    assert pauses.go_s(FAR[0]) == seeking.SEEK_S
    assert [pauses.missed(FAR[0], 100.0) for _ in range(7)] == [2, 4, 8, 16, 30, 30, 30]
    assert (pauses.due_s(FAR[0]), pauses.go_s(FAR[0])) == (130, seeking.AGAIN_S)
    assert pauses.due_s(other) == float("-inf")
    for _ in range(5000):
        assert pauses.missed(other, 0.0) <= seeking.LONGEST_PAUSE_S
    pauses.forget(FAR[0])
    assert (pauses.due_s(FAR[0]), pauses.go_s(FAR[0])) == (float("-inf"), seeking.SEEK_S)


class _Scanner:
    """Hears `NEAR`, and keeps when it was on."""

    on: list[list[float]] = []  # noqa: RUF012 - of all of them

    def __init__(self, heard: Any) -> None:
        self._heard = heard
        said = AdvertisementData("bore gauge", {}, {}, [], None, -60, ())
        self.discovered_devices_and_advertisement_data = {NEAR.address: (NEAR, said)}

    async def start(self) -> None:
        self.on.append([asyncio.get_running_loop().time()])
        self._heard(NEAR, None)

    async def stop(self) -> None:
        self.on[-1].append(asyncio.get_running_loop().time())


class _Service:
    async def devices(self) -> list[tuple[str, Mapping[str, Any]]]:
        return []

    async def close(self) -> None:
        """Nothing to close."""


async def _an_hour(away: int, *, near: bool) -> None:
    """Seek `away` gauges for an hour as the daemon does, beside one that is connected where it is `near`."""
    shared = Radio(None)
    shared._bluez = _Service()  # type: ignore[assignment]
    if near:
        await shared.find(Wanted(NEAR.address, None, None), "connected")

    async def keep_seeking(wanted: Wanted) -> None:
        while True:
            user = object()
            with pytest.raises(LinkLost):
                await shared.find(wanted, user)
            await shared.leave(user)
            await asyncio.sleep(4)

    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(HOUR_S):
            await asyncio.gather(*map(keep_seeking, FAR[:away]))


@pytest.mark.parametrize(
    ("away", "near", "least", "most"), [(1, True, 0.1, 0.2), (6, True, 0.1, 0.2), (1, False, 0.7, 1.0)]
)
def test_the_radio_is_left_to_those_that_are_connected(
    monkeypatch: pytest.MonkeyPatch, away: int, near: bool, least: float, most: float
) -> None:
    """However many gauges are away, they share their goes: beside a connected one, less than a fifth of an hour."""
    monkeypatch.setattr(radio, "BleakScanner", _Scanner)
    monkeypatch.setattr(_Scanner, "on", [])
    virtual.run(_an_hour(away, near=near))
    assert least < sum(end - begun for begun, end in _Scanner.on) / HOUR_S < most
    pauses = [later[0] - sooner[1] for sooner, later in zip(_Scanner.on, _Scanner.on[1:], strict=False)]
    assert max(pauses) <= seeking.LONGEST_PAUSE_S


@pytest_asyncio.fixture
async def bench(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Bench]:
    """A bench whose service runs; a gauge that was not heard is not due for an hour while others are connected."""
    monkeypatch.setattr(seeking, "SEEK_S", 0.2)
    monkeypatch.setattr(seeking, "FIRST_PAUSE_S", HOUR_S)
    monkeypatch.setattr(seeking, "LONGEST_PAUSE_S", HOUR_S)
    async with radio_bench(monkeypatch) as made:
        yield made


async def paused(
    bench: Bench, near: Peripheral, away: Peripheral
) -> tuple[BluetoothLeLink, asyncio.Task[None]]:
    """Connect `near`, and have `away` missed, put within reach, and waited for; return its link and the opening."""
    bench.place(near)
    missed = bench.link(address=away.address)
    with pytest.raises(
        LinkLost, match=r"not heard within 0\.2 s, and is listened for again in 3600 s; switch"
    ):
        await missed.open()
    bench.place(away)
    seeking.SEEK_S = 60.0  # put back by the fixture
    bench.service.calls.clear()
    link = bench.link(address=away.address)
    opening = asyncio.create_task(link.open())
    for _ in range(50):  # the radio is left alone: many packets come through, and nothing is scanned
        await bench.say(near, b"12.345")
    assert "StartDiscovery" not in [call for _, call in bench.service.calls]
    assert not opening.done()
    return link, opening


@pytest.mark.asyncio
@pytest.mark.parametrize("how", ["asked for", "the others are lost", "the adapter was off", "another's scan"])
async def test_a_pause_ends_where_it_helps_nobody(bench: Bench, how: str) -> None:
    """A gauge that is asked for, that slows nobody any more, or that another's scan hears is connected at once."""
    near, away, third = gauge(0x10), gauge(0x20), gauge(0x30)
    first, other = bench.link(address=near.address), bench.link(address=third.address)
    bench.place(near)
    await first.open()
    link, opening = await paused(bench, near, away)
    if how == "asked for":
        assert isinstance(link, Seeks)
        link.seek()
    elif how == "the others are lost":
        await first.close()
    elif how == "the adapter was off":
        bench.service.power(on=False)
        with pytest.raises(LinkLost, match="disconnected"):
            await take(first, 51)
        await first.close()
        with contextlib.suppress(LinkLost):
            await opening
        bench.service.power(on=True)
        opening = asyncio.create_task(link.open())
    else:  # which seeks a gauge that is not there
        others = asyncio.create_task(other.open())
    async with asyncio.timeout(60):
        await opening
    if how == "another's scan":
        others.cancel()
        await asyncio.wait([others])
    await bench.say(away, b"7.891")
    assert (await take(link, 1))[0].data == b"7.891"
    for each in (first, link, other):
        await each.close()


@pytest.mark.asyncio
async def test_a_gauge_that_wakes_for_seconds_is_always_listened_for(bench: Bench) -> None:
    """With listen = "always" there is no pause, whoever is connected: a gauge that sleeps again would be missed."""
    near, away = gauge(0x10), gauge(0x20)
    first, link = bench.link(address=near.address), bench.link(address=away.address, listen="always")
    bench.place(near)
    await first.open()
    with pytest.raises(LinkLost, match=r"was not heard within 0\.2 s; switch"):
        await link.open()
    bench.place(away)
    seeking.SEEK_S = 60.0  # put back by the fixture
    async with asyncio.timeout(60):
        await link.open()
    await link.close()
    await first.close()


@pytest.mark.asyncio
async def test_who_is_asked_for_before_it_is_opened_is_not_paused(bench: Bench) -> None:
    """A link that is told to seek before its next opening does so, and what was just lost is sought at once anyway."""
    near, away = gauge(0x10), gauge(0x20)
    first = bench.link(address=near.address)
    bench.place(near)
    await first.open()
    link, opening = await paused(bench, near, away)
    opening.cancel()
    await asyncio.wait([opening])
    again = bench.link(address=away.address)
    again.seek()
    async with asyncio.timeout(60):
        await again.open()
        bench.service.drop(away)
        with pytest.raises(LinkLost, match="disconnected"):
            await take(again, 1)
        await again.close()
        await link.open()
    await link.close()
    await first.close()
