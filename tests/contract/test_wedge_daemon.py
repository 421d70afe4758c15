"""The real daemon with gauges that type or send reports, on umockdev's devices: its system calls are as they are."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from evdev import ecodes

from tests.bench_tools.daemon import START_S, Daemon
from tests.bench_tools.machine import Machine
from tests.contract.test_hid_usage import LENGTH

pytestmark = pytest.mark.attack

HEAD = """
[station]
name = "test bench"
time_zone = "UTC"
[masters.ring-1]
size = "38.0012 mm"
serial_number = "R-1"
[characteristics.A]
feature = "bore"
limits = "38 H7"
gauges = ["g0"]
[gauges.g0]
link = "wedge"
contact = "three-point"
display = "absolute"
check_limit = "2 µm"
"""
TYPING = """
[links.wedge]
kind = "keyboard_wedge"
usb = "1a2b:0c0d:B7"
layout = "german"
silence = 2.0
[links.wedge.decoder]
kind = "delimited_text"
pattern = "{value}"
decimal_sign = ","
unit = "mm"
"""
REPORTING = f"""
[links.wedge]
kind = "hid_report"
usb = "1a2b:0c0e:B8"
report = 1
[links.wedge.decoder]
kind = "hid_usage"
descriptor = "{LENGTH.hex()}"
usage = "ff00:0003"
"""
GRAB = """
import evdev, sys
keyboard = evdev.InputDevice(sys.argv[1])
try:
    keyboard.grab()
except OSError as error:
    sys.exit(error.errno)
"""


@pytest.fixture
def machine() -> Iterator[Machine]:
    """A machine with nothing plugged in."""
    machine = Machine()
    yield machine
    machine.close()


def _wait(daemon: Daemon, state: str) -> dict[str, Any]:
    deadline = time.monotonic() + START_S
    while (link := daemon.get("/links")["links"][0])["state"] != state:
        assert time.monotonic() < deadline, link
        time.sleep(0.05)
    found: dict[str, Any] = link
    return found


def test_a_gauge_that_types_is_read_held_and_found_again(machine: Machine, tmp_path: Path) -> None:
    """Its frames are readings, no other program gets it, a hole is a bad frame, and plugged in again it goes on."""
    with Daemon(tmp_path, HEAD + TYPING, machine.env) as daemon:
        lost = _wait(daemon, "lost")
        assert "no keyboard 1a2b:0c0d:B7 is plugged in" in lost["problem"]
        machine.do("plug", "event5")
        assert "/dev/input/event5" in _wait(daemon, "connected")["description"]
        assert machine.run("-c", GRAB, "/dev/input/event5").returncode == 16  # EBUSY
        for number in range(30):
            machine.type("event5", f"38,{number:04}")
            if number % 4 == 3:
                # A pty that is full hands over halves of events, which no kernel does.
                daemon.wait_for(number + 1, kind="reading")
        came = daemon.wait_for(30, kind="reading")
        assert [record["indication"] for record in came] == [f"38.{number:04}" for number in range(30)]
        machine.press("event5", ecodes.KEY_KP3, ecodes.KEY_F1, ecodes.KEY_KP8, ecodes.KEY_KPENTER)
        (bad,) = daemon.wait_for(1, kind="bad-frame")
        assert "KEY_F1 has no certain character" in bad["text"]
        said = machine.run("-m", "gaugepost", "devices", "keyboard_wedge", GAUGEPOST_AT=daemon.address).stdout
        assert "in use: link wedge of the running service" in said
        machine.do("unplug", "event5")
        _wait(daemon, "lost")
        machine.do("plug", "event6")
        assert "/dev/input/event6" in _wait(daemon, "connected")["description"]
        machine.type("event6", "39,5")
        assert daemon.wait_for(31, kind="reading")[-1]["indication"] == "39.5"
        daemon.kill()
        daemon.start()
        _wait(daemon, "connected")
        machine.type("event6", "40,25")
        assert daemon.wait_for(32, kind="reading")[-1]["indication"] == "40.25"


def test_a_gauge_that_sends_reports_is_read_by_its_usage(machine: Machine, tmp_path: Path) -> None:
    """What `gaugepost devices` prints for it makes a station, and its reports become readings to the last digit."""
    machine.do("plug", "hidraw3", descriptor=LENGTH.hex())
    told = json.loads(machine.run("-m", "gaugepost", "devices", "hid_report", "--json").stdout)
    assert told["decoder"] == {"kind": "hid_usage", "descriptor": LENGTH.hex()}
    station = HEAD + REPORTING.replace(
        "report = 1", f'report = 1\ndescriptor = "{told["settings"]["descriptor"]}"'
    )
    with Daemon(tmp_path, station, machine.env) as daemon:
        assert "/dev/hidraw3" in _wait(daemon, "connected")["description"]
        for count, logical in enumerate((380012, -25, 0), 1):
            report = b"\x01\x00" + logical.to_bytes(3, "little", signed=True)
            machine.do("type", "hidraw3", bytes=report.hex())
            # A pty keeps no edges: one report at a time.
            came = daemon.wait_for(count, kind="reading")
            assert came[-1]["indication"] == f"{logical / 10_000:.4f}"
