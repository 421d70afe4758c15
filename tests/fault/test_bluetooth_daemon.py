"""The real daemon with a gauge by radio: its values, its battery, a kill that leaves it connected, a battery change."""

from __future__ import annotations

import asyncio
import shutil
from pathlib import Path
from typing import Any

from tests.bench_tools.bluetooth.aside import Aside, bench_aside
from tests.bench_tools.bluetooth.bench import REQUESTS, VALUES, gauge
from tests.bench_tools.bluetooth.peripheral import Characteristic, Peripheral
from tests.bench_tools.daemon import Daemon

DESCRIPTION = Path(__file__).parents[2] / "deploy/stations/descriptions/environmental-sensing.toml"
TEMPERATURE = Characteristic("2A6E", ("read",), bytes.fromhex("5C 08"))
STATION = f"""
[station]
name = "test bench"
time_zone = "UTC"
[links.air]
kind = "bluetooth_le"
address = "00:00:5E:00:53:10"
values = "{VALUES}"
requests = "{REQUESTS}"
battery_low = 15
[links.air.decoder]
kind = "delimited_text"
pattern = "{{value}} {{unit}}"
units = {{ mm = "mm" }}
confirmation = "OK"
[gauges.g0]
link = "air"
contact = "three-point"
display = "absolute"
check_limit = "2 µm"
mastering_readings = 2
[links.warmth]
kind = "bluetooth_le"
name = "thermometer"
service = "181A"
values = "2A6E"
told = "on-request"
[links.warmth.decoder]
file = "environmental-sensing.toml"
[thermometers.bench]
link = "warmth"
body = "part"
ask_every = "1 s"
[masters.ring-1]
size = "38.0012 mm"
serial_number = "R-1"
[characteristics.A]
feature = "bore"
limits = "38 H7"
gauges = ["g0"]
"""


def last(daemon: Daemon) -> int:
    """Return the sequence of the last record."""
    return int([*daemon.records()][-1]["sequence"])


def of_the_gauge(daemon: Daemon, count: int, after: int = 0) -> list[dict[str, Any]]:
    """Return `count` records of the gauge's link after `after`, as soon as there are so many."""
    found: list[dict[str, Any]] = []
    while len(found) < count:
        came = daemon.wait_for(1, after=after, kind="link")
        after = came[-1]["sequence"]
        found += [record for record in came if record["link"] == "air"]
    return found


def shown(aside: Aside, own: Peripheral, daemon: Daemon, text: str, kind: str) -> dict[str, Any]:
    """Have the gauge show `text`; return the record that is made of it."""
    after = last(daemon)
    aside.do(aside.bench.say(own, text.encode()))
    return daemon.wait_for(1, after=after, kind=kind)[-1]


def test_a_gauge_by_radio_through_everything(tmp_path: Path) -> None:
    """Values become readings, and are confirmed; a low battery is recorded; a kill or a loss costs but a check."""
    level = Characteristic("2A19", ("read", "notify"), bytes([60]))
    about = Characteristic("2A25", ("read",), b"B-0042")
    own = gauge(more={"180F": [level], "180A": [about]})
    # 21.4 °C as the SIG's Temperature has it (from memory): hundredths, low byte first.
    warmth = Peripheral("00:00:5E:00:53:20", "thermometer", {"181A": [TEMPERATURE]}, advertised=("181A",))
    shutil.copy(DESCRIPTION, tmp_path)
    with bench_aside() as aside:
        aside.bench.place(own, warmth)
        daemon = Daemon(tmp_path, STATION, {"DBUS_SYSTEM_BUS_ADDRESS": aside.bench.bus.address})
        with daemon:
            aside.wait_until(VALUES)
            connected = of_the_gauge(daemon, 1)[0]
            assert "serial number B-0042" in connected["text"]
            assert daemon.wait_for(1, kind="temperature")[0]["temperature_c"] == "21.40"
            master(aside, own, daemon)
            assert shown(aside, own, daemon, "38.0105 mm", "reading")["verdict"] == "in-limits"
            aside.do(_hears(own, b"OK" * 4))
            after = last(daemon)
            aside.do(aside.bench.say(own, bytes([15]), uuid="2A19"))
            low = daemon.wait_for(1, after=after, kind="condition")[-1]
            assert (low["gauge"], low["text"]) == ("g0", "battery low: 15 %")
            (air,) = [each for each in daemon.get("/links")["links"] if each["link"] == "air"]
            assert (air["battery_percent"], air["signal_dbm"]) == (15, -60)
            daemon.kill()
            assert aside.bench.service.connected(own)
            aside.bench.service.calls.clear()
            daemon.start()
            aside.wait_until(VALUES)
            assert shown(aside, own, daemon, "38.0106 mm", "reading")["verdict"] == "in-limits"
            assert "Connect" not in [call for _, call in aside.bench.service.calls]
            after = last(daemon)
            aside.do(_battery_change(aside, own))
            lost, back = of_the_gauge(daemon, 2, after)
            assert (lost["code"], back["code"]) == ("lost", "connected")
            aside.wait_until(VALUES)
            reading = shown(aside, own, daemon, "38.0107 mm", "reading")
            assert (reading["indication"], reading["verdict"]) == ("38.0107", "not-judged")
            assert reading["reasons"] == ["the link air was lost"]


def master(aside: Aside, own: Peripheral, daemon: Daemon) -> None:
    """Master the gauge, and pass its check."""
    daemon.post("/gauges/g0/mastering", {"masters": ["ring-1"], "serials": ["R-1"]})
    assert daemon.status == 200
    aside.do(aside.bench.say(own, b"38.0012 mm", b"38.0014 mm"))
    daemon.wait_for(1, kind="mastering")
    daemon.post("/gauges/g0/check", {"master": "ring-1", "serial": "R-1"})
    assert daemon.status == 200
    aside.do(aside.bench.say(own, b"38.0013 mm"))
    daemon.wait_for(1, kind="check")


async def _hears(own: Peripheral, all_of: bytes) -> None:
    """Wait until the gauge was sent this and nothing else."""
    async with asyncio.timeout(60):
        while len(own.heard) < len(all_of):  # noqa: ASYNC110 - another process writes
            await asyncio.sleep(0.02)
    assert own.heard == all_of


async def _battery_change(aside: Aside, own: Peripheral) -> None:
    aside.bench.service.drop(own)
    aside.bench.service.forget(own)
