"""The real daemon with a gauge by radio: its values, its battery, a kill that leaves it connected, a battery change."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.bench_tools.bluetooth.aside import Aside, bench_aside
from tests.bench_tools.bluetooth.bench import VALUES, gauge
from tests.bench_tools.bluetooth.peripheral import Characteristic, Peripheral
from tests.bench_tools.daemon import Daemon

STATION = f"""
[station]
name = "test bench"
time_zone = "UTC"
[links.air]
kind = "bluetooth_le"
address = "00:00:5E:00:53:10"
values = "{VALUES}"
battery_low = 15
[links.air.decoder]
kind = "delimited_text"
pattern = "{{value}} {{unit}}"
units = {{ mm = "mm" }}
[gauges.g0]
link = "air"
contact = "three-point"
display = "absolute"
check_limit = "2 µm"
mastering_readings = 2
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


def shown(aside: Aside, own: Peripheral, daemon: Daemon, text: str, kind: str) -> dict[str, Any]:
    """Have the gauge show `text`; return the record that is made of it."""
    after = last(daemon)
    aside.do(aside.bench.say(own, text.encode()))
    return daemon.wait_for(1, after=after, kind=kind)[-1]


def test_a_gauge_by_radio_through_everything(tmp_path: Path) -> None:
    """Values become readings; a low battery is recorded; a kill and a lost connection cost nothing but a check."""
    level = Characteristic("2A19", ("read", "notify"), bytes([60]))
    about = Characteristic("2A25", ("read",), b"B-0042")
    own = gauge(more={"180F": [level], "180A": [about]})
    with bench_aside() as aside:
        aside.bench.place(own)
        daemon = Daemon(tmp_path, STATION, {"DBUS_SYSTEM_BUS_ADDRESS": aside.bench.bus.address})
        with daemon:
            aside.wait_until(VALUES)
            connected = daemon.wait_for(1, kind="link")[-1]
            assert "serial number B-0042" in connected["text"]
            assert shown(aside, own, daemon, "38.0105 mm", "reading")["indication"] == "38.0105"
            after = last(daemon)
            aside.do(aside.bench.say(own, bytes([15]), uuid="2A19"))
            low = daemon.wait_for(1, after=after, kind="condition")[-1]
            assert (low["gauge"], low["text"]) == ("g0", "battery low: 15 %")
            daemon.kill()
            assert aside.bench.service.connected(own)
            aside.bench.service.calls.clear()
            daemon.start()
            aside.wait_until(VALUES)
            assert shown(aside, own, daemon, "38.0106 mm", "reading")["indication"] == "38.0106"
            assert "Connect" not in [call for _, call in aside.bench.service.calls]
            after = last(daemon)
            aside.do(_battery_change(aside, own))
            lost, back = daemon.wait_for(2, after=after, kind="link")[:2]
            assert (lost["code"], back["code"]) == ("lost", "connected")
            aside.wait_until(VALUES)
            assert shown(aside, own, daemon, "38.0107 mm", "reading")["indication"] == "38.0107"


async def _battery_change(aside: Aside, own: Peripheral) -> None:
    aside.bench.service.drop(own)
    aside.bench.service.forget(own)
