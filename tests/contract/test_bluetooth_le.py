"""What a gauge by radio brings and how it is bound: the library unmodified, on a bus and a service of our own."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from collections.abc import AsyncIterator

import pytest
import pytest_asyncio

from gaugepost.contract import LinkLost
from gaugepost.contract.kit import links
from gaugepost_adapters.links.bluetooth import gauge as connected, seeking
from tests.bench_tools.bluetooth.bench import REQUESTS, SERVICE, VALUES, Bench, gauge, radio_bench, take
from tests.bench_tools.bluetooth.peripheral import Characteristic

pytestmark = pytest.mark.asyncio

LEVEL = "2A19"


@pytest_asyncio.fixture
async def bench(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Bench]:
    """A bench whose service runs."""
    async with radio_bench(monkeypatch) as made:
        yield made


async def test_only_the_bound_gauge_is_connected(bench: Bench) -> None:
    """Of all that is within reach, nothing is connected that no link names."""
    own, stranger = gauge(0x10), gauge(0x11, name="somebody's watch")
    bench.place(own, stranger)
    link = bench.link(address=own.address.lower())
    await link.open()
    assert bench.service.connected(own)
    await link.close()
    assert not bench.service.connected(own)
    assert not [call for call in bench.service.calls if call[0].startswith(bench.service.path(stranger))]


async def test_a_name_and_a_service_bind(bench: Bench) -> None:
    """A gauge is known by the name and the service that it advertises, whatever its address."""
    bench.place(gauge(0x10, name="depth gauge"), gauge(0x11, name="bore gauge"))
    link = bench.link(name="bore gauge", service=SERVICE)
    await link.open()
    assert "00:00:5E:00:53:11" in link.describe()
    await link.close()


async def test_two_alike_are_told_apart_or_refused(bench: Bench) -> None:
    """Where two gauges have the name that was given, none is taken, and both addresses are told."""
    bench.place(gauge(0x10), gauge(0x11))
    with pytest.raises(LinkLost, match=r"2 gauges.*53:10, 00:00:5E:00:53:11; name one by address"):
        await bench.link(name="bore gauge", service=SERVICE).open()


async def test_many_gauges_share_one_scanner(bench: Bench) -> None:
    """Links that are opened at once scan once: the service refuses a program's second scan."""
    gauges = [gauge(at) for at in range(0x10, 0x15)]
    bench.place(*gauges)
    opened = [bench.link(address=each.address) for each in gauges]
    await asyncio.gather(*(link.open() for link in opened))
    assert [call for _, call in bench.service.calls].count("StartDiscovery") == 1
    for at, each in enumerate(gauges):
        await bench.say(each, b"%d" % at)
    assert [(await take(link, 1))[0].data for link in opened] == [b"0", b"1", b"2", b"3", b"4"]
    assert not bench.service.scanning()
    await asyncio.gather(*(link.close() for link in opened))


async def test_a_gauge_belongs_to_one_link(bench: Bench) -> None:
    """A second link to a gauge is refused, and the first one goes on."""
    own = bench.place(gauge())
    first, second = bench.link(address=own.address), bench.link(name="bore gauge", service=SERVICE)
    bench.service.calls.clear()
    opening = [asyncio.ensure_future(each.open()) for each in (first, second)]
    await asyncio.wait(opening)
    refused = [error for each in opening if (error := each.exception())]
    assert len(refused) == 1
    assert isinstance(refused[0], LinkLost)
    (left,) = (link for link, work in zip((first, second), opening, strict=True) if not work.exception())
    await bench.say(own, b"still")
    assert (await take(left, 1))[0].data == b"still"
    await left.close()


async def test_an_early_advertisement_counts(bench: Bench) -> None:
    """What a gauge advertises before the start of the scan is answered is heard, and may be all there is."""
    own = bench.place(gauge())
    bench.service.only_early = True
    link = bench.link(address=own.address)
    await link.open()
    await link.close()


async def test_each_packet_is_a_chunk_on_its_channel(bench: Bench) -> None:
    """Notifications and indications come as packets, by channel, and equal ones in a row are all there."""
    left, right = Characteristic("FFF1", ("notify",)), Characteristic("FFF2", ("indicate",))
    own = bench.place(gauge(more={"FFF0": [left, right]}))
    link = bench.link(address=own.address, values={"left": "FFF1", "right": "fff2"})
    await link.open()
    await bench.say(own, b"1", b"1", b"", uuid="FFF1")
    await bench.say(own, b"2", uuid="FFF2")
    came = await take(link, 3)
    assert [(chunk.data, chunk.channel) for chunk in came] == [
        (b"1", "left"),
        (b"1", "left"),
        (b"2", "right"),
    ]
    assert all(chunk.complete for chunk in came)
    await link.close()


async def test_a_value_that_is_read_comes_once(bench: Bench) -> None:
    """A gauge that is told on request is read when asked, and its answer is one chunk though it notifies too."""
    temperature = Characteristic("2A6E", ("read", "notify"), (2140).to_bytes(2, "little"))
    own = bench.place(gauge(more={"181A": [temperature]}))
    link = bench.link(address=own.address, values="2A6E", told="on-request")
    await link.open()
    await link.send(b"read")
    temperature.value = (2150).to_bytes(2, "little")
    await link.send(b"read")
    came = await take(link, 2)
    assert [int.from_bytes(chunk.data, "little") for chunk in came] == [2140, 2150]
    await bench.service.flush()
    await link.close()
    assert "StartNotify" not in [call for _, call in bench.service.calls]


@pytest.mark.parametrize("flag", ["write", "write-without-response"])
async def test_requests_are_written(bench: Bench, flag: str) -> None:
    """A request reaches its characteristic, acknowledged or not as that one knows it; what is too long is refused."""
    own = gauge(more={"FFF0": [Characteristic("FFF3", (flag,))]})
    bench.place(own)
    link = bench.link(address=own.address, requests="FFF3")
    await link.open()
    await link.send(b"?\r")
    with pytest.raises(LinkLost, match="shorten"):
        await link.send(bytes(600))
    assert own.heard == b"?\r"
    await link.close()


async def test_a_low_battery_is_a_condition(bench: Bench) -> None:
    """A battery level at or below the limit is told once, not as a frame, and again when it was well in between."""
    level = Characteristic(LEVEL, ("read", "notify"), bytes([64]))
    own = bench.place(gauge(more={"180F": [level]}))
    link = bench.link(address=own.address, battery_low=20)
    await link.open()
    for percent in (20, 19, 22, 18, 26, 255, 7):
        await bench.say(own, bytes([percent]), uuid=LEVEL)
    await bench.say(own, b"12.345")
    *low, value = await take(link, 3)
    assert [chunk.condition and chunk.condition.meaning for chunk in low] == [
        "battery low: 20 %",
        "battery low: 7 %",
    ]
    assert value.data == b"12.345"
    assert value.condition is None
    await link.close()


async def test_a_gauge_says_what_it_is(bench: Bench) -> None:
    """What the gauge tells about itself names it; an answer that it keeps back is no fault."""
    about = [
        Characteristic("2A24", ("read",), "Bohrung µ\x00".encode()),
        Characteristic("2A25", ("read",), b"B-0042"),
        Characteristic("2A26", ("read",), b"1.2"),
    ]
    own = bench.place(gauge(more={"180A": about}))
    own.refuses["ReadValue"] = ("org.bluez.Error.NotPermitted", "Read not permitted")
    link = bench.link(address=own.address)
    await link.open()
    assert link.describe().endswith("(00:00:5E:00:53:10), serial number B-0042, firmware 1.2")
    await link.close()
    await link.open()
    assert "model Bohrung µ, serial" in link.describe()
    await link.close()


async def test_a_wrong_characteristic_is_told_with_those_there_are(bench: Bench) -> None:
    """A characteristic that is missing, or can't be used as said, is refused with what the gauge offers."""
    own = bench.place(gauge())
    with pytest.raises(
        LinkLost, match=rf"no characteristic .*fff9.*correct values; it has {VALUES} \(notify\)"
    ):
        await bench.link(address=own.address, values="FFF9").open()
    with pytest.raises(LinkLost, match="knows no read, only notify"):
        await bench.link(address=own.address, told="on-request").open()
    with pytest.raises(LinkLost, match="knows no notify or indicate, only write"):
        await bench.link(address=own.address, values=REQUESTS).open()
    assert not bench.service.connected(own)


async def test_packets_that_nobody_takes_end_the_link(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Packets beyond what is held are not dropped in silence: the link is lost, after those that are held."""
    monkeypatch.setattr(connected, "MOST_WAITING", 10)
    own = bench.place(gauge())
    link = bench.link(address=own.address)
    await link.open()
    await bench.say(own, *(b"%d" % at for at in range(20)))
    assert [chunk.data for chunk in await take(link, 10)] == [b"%d" % at for at in range(10)]
    with pytest.raises(LinkLost, match="more than 10 packets"):
        await take(link, 1)
    await link.close()


async def test_a_gauge_that_is_away_is_told(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A gauge that is not heard, or no longer answers, is told in bounded time, with what to do."""
    monkeypatch.setattr(seeking, "SEEK_S", 0.2)
    monkeypatch.setattr(connected, "CONNECT_S", 0.5)
    await links.check_absent(bench.link(address="00:00:5E:00:53:77"))
    own = bench.place(gauge())
    own.mute.add("Connect")
    await links.check_absent(bench.link(address=own.address))


async def test_what_is_near_is_listed(bench: Bench) -> None:
    """What can be heard is listed with signal, services and the settings that bind it; nothing is connected.

    One that changes its address is bound by name and service, a random address that stays binds like any other.
    """
    private, static = gauge(0x12, name="private"), gauge(0x13, name="static")
    private.address, static.address = "40:00:5E:00:53:12", "C0:00:5E:00:53:13"
    private.random = static.random = True
    bench.place(gauge(0x11, name=None), gauge(0x10), private, static)
    code = (
        "import json; from gaugepost_adapters.links.bluetooth import nearby; nearby.LISTEN_S = 3\n"
        "print(json.dumps([[p.name, p.settings, p.notes] for p in nearby.nearby()]))"
    )
    run = await asyncio.create_subprocess_exec(
        sys.executable, "-c", code, stdout=subprocess.PIPE, env=os.environ
    )
    out, _ = await run.communicate()
    listed = json.loads(out)
    assert [each[:2] for each in listed] == [
        ["bore gauge", {"address": "00:00:5E:00:53:10"}],
        ["", {"address": "00:00:5E:00:53:11"}],
        ["private", {"name": "private", "service": SERVICE}],
        ["static", {"address": "C0:00:5E:00:53:13"}],
    ]
    assert listed[0][2] == ["signal -60 dBm", f"offers {SERVICE}"]
    assert "Connect" not in [call for _, call in bench.service.calls]


async def test_devices_are_told_with_lines_to_paste(bench: Bench) -> None:
    """The command lists a gauge within reach with its signal, what it offers, and the lines that bind it."""
    bench.place(gauge(0x10, more={"181A": []}))
    bench.service.peripherals[bench.service.path(gauge(0x10))].advertised = ("181A", SERVICE)
    run = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "gaugepost", "devices", "bluetooth_le",
        stdout=subprocess.PIPE, env=os.environ,
    )  # fmt: skip
    out, _ = await run.communicate()
    assert out.decode().splitlines() == [
        "bore gauge, at 00:00:5E:00:53:10",
        "  [links.NAME]",
        '  kind = "bluetooth_le"',
        '  address = "00:00:5E:00:53:10"',
        "  note: signal -60 dBm",
        f"  note: offers environmental sensing, {SERVICE}",
    ]


async def test_a_battery_that_is_not_told_is_looked_at(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A level that can only be read is read now and then, and told as soon as it is low; a read that fails is none."""
    monkeypatch.setattr(connected, "BATTERY_EVERY_S", 0.02)
    level = Characteristic(LEVEL, ("read",), bytes([64]))
    own = bench.place(gauge(more={"180F": [level]}))
    link = bench.link(address=own.address)
    await link.open()
    own.refuses["ReadValue"] = ("org.bluez.Error.Failed", "busy")
    level.value = bytes([5])
    (low,) = await take(link, 1)
    assert low.condition is not None
    assert low.condition.meaning == "battery low: 5 %"
    assert "ReadValue" not in own.refuses
    await link.close()
