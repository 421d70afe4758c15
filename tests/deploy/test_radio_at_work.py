"""Bluetooth under the unit in deploy/systemd: the system's own bus daemon, in a computer that systemd has booted."""

from __future__ import annotations

import asyncio
import contextlib
import shlex
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.bench_tools.bluetooth.bench import VALUES, gauge
from tests.bench_tools.bluetooth.peripheral import Peripheral
from tests.bench_tools.bluetooth.service import Service
from tests.bench_tools.booted import PATIENCE_S, Booted
from tests.bench_tools.daemon import Daemon
from tests.bench_tools.ports import free_port

pytestmark = [pytest.mark.attack, pytest.mark.asyncio]

UNIT = Path(__file__).parents[2] / "deploy" / "systemd" / "gaugepost.service"
NAME = "gaugepost.service"

# As Debian 12 lets programs ask for Bluetooth: root is the service, anybody may ask it.
POLICY = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-BUS Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <policy user="root"><allow own="org.bluez"/><allow send_destination="org.bluez"/></policy>
  <policy context="default"><allow send_destination="org.bluez"/></policy>
</busconfig>
"""
BUS = """[Service]
RuntimeDirectory=dbus
ExecStart=/usr/bin/dbus-daemon --system --nofork --nopidfile
"""
PREPARE = r"""
cp {unit} /etc/systemd/system/gaugepost.service
mkdir -p /etc/systemd/system/gaugepost.service.d /etc/gaugepost /etc/dbus-1/system.d
printf '[Service]\nStandardError=append:/run/station.log\n' > /etc/systemd/system/gaugepost.service.d/test.conf
cp {station} /etc/gaugepost/station.toml
printf '%s' {bus} > /etc/systemd/system/bus.service
printf '%s' {policy} > /etc/dbus-1/system.d/bench-bluetooth.conf
"""
STATION = """
[station]
name = "test bench"
time_zone = "UTC"
data = "/var/lib/gaugepost"
[links.radio]
kind = "bluetooth_le"
address = "00:00:5E:00:53:10"
values = "{values}"
[links.radio.decoder]
kind = "delimited_text"
pattern = "{{value}} {{unit}}"
units = {{ mm = "mm" }}
[gauges.g0]
link = "radio"
contact = "three-point"
display = "absolute"
check_limit = "2 µm"
[characteristics.A]
feature = "bore"
limits = "38 H7"
gauges = ["g0"]
[service]
port = {port}
"""


@pytest.fixture
def station(tmp_path: Path) -> Daemon:
    """The station, as a test asks it; it is started by the service manager."""
    port = free_port()
    text = STATION.format(values=VALUES, port=port)
    (tmp_path / "station.toml").write_text(text, encoding="utf-8")
    return Daemon(tmp_path, text, address=f"http://127.0.0.1:{port}")


@pytest.fixture
def computer(tmp_path: Path, station: Daemon) -> Iterator[Booted]:
    """A computer with a system bus, the unit and a station file."""
    given = {"unit": str(UNIT), "station": str(tmp_path / "station.toml"), "bus": BUS, "policy": POLICY}
    prepare = PREPARE.format(**{name: shlex.quote(each) for name, each in given.items()})
    with Booted(tmp_path, prepare) as computer:
        yield computer


def listened_to(peripheral: Peripheral) -> None:
    """Wait until the service listens to a gauge."""
    deadline = time.monotonic() + PATIENCE_S
    while not peripheral.find(VALUES).listeners:
        assert time.monotonic() < deadline, "nobody listens to it"
        threading.Event().wait(0.05)


async def test_a_gauge_without_a_wire_measures_under_the_unit(computer: Booted, station: Daemon) -> None:
    """Without rights, behind its closed devices and families of addresses, the service reaches Bluetooth by the bus."""
    computer.run("systemctl", "start", "bus.service")
    await asyncio.to_thread(computer.until_there, "/run/dbus/system_bus_socket")
    radio = Service(f"unix:path={computer.path('/run/dbus/system_bus_socket')}")
    await radio.start()
    try:
        bore = gauge()
        radio.place(bore)
        await asyncio.to_thread(computer.run, "systemctl", "start", NAME)
        await asyncio.to_thread(listened_to, bore)
        radio.notify(bore.find(VALUES), b"38.0141 mm\r\n")
        await radio.flush()
        await asyncio.to_thread(station.wait_for, 1, kind="reading")
        radio.drop(bore)
        await asyncio.to_thread(listened_to, bore)
        radio.notify(bore.find(VALUES), b"38.0142 mm\r\n")
        await radio.flush()
        await asyncio.to_thread(station.wait_for, 2, kind="reading")
        (main,) = computer.shows(NAME, "MainPID")
        said = computer.run("cat", f"/proc/{main}/status")
        facts = dict(line.split(":\t", 1) for line in said.splitlines() if ":\t" in line)
        assert set(facts["Uid"].split()) == {"64999"}
        assert int(facts["CapEff"], 16) == int(facts["CapBnd"], 16) == 0
        # What the unit allows it is many times what it took.
        (most,) = computer.shows(NAME, "MemoryMax")
        assert int(facts["VmHWM"].split()[0]) * 1024 < int(most) / 2
        await asyncio.to_thread(computer.run, "systemctl", "stop", NAME)
    finally:
        with contextlib.suppress(OSError):
            await radio.die()
