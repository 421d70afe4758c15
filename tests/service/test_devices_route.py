"""What is plugged in, as the running service tells it, and how it is bound; on umockdev's machine."""

from __future__ import annotations

import errno
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gaugepost.core.access import Scope
from gaugepost.service.door.scopes import scope_of
from gaugepost.service.teaching.binding import instead
from tests.bench_tools.bluetooth.aside import bench_aside
from tests.bench_tools.bluetooth.bench import VALUES, gauge
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.machine import Machine
from tests.contract.test_hid_usage import LENGTH
from tests.contract.test_wedge_daemon import GRAB

EMPTY = '[station]\nname = "new bench"\ntime_zone = "UTC"\n'
GAUGE = {"contact": "three-point", "display": "absolute", "check_limit": "2 µm"}
PATIENCE_S = 60.0


@pytest.fixture
def machine() -> Iterator[Machine]:
    """A machine with a serial adapter and a gauge that types."""
    made = Machine()
    made.do("plug", "ttyUSB7")
    made.do("plug", "event5")
    yield made
    made.close()


def came(daemon: Daemon, path: str, after: int) -> int:
    """Wait until something came over a lesson's link; return its line."""
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        told = daemon.get(f"{path}?after={after}&wait=20")
        after = told["next"]
        if any("hex" in line for line in told["lines"]):
            return int(after)
    raise AssertionError("nothing came")


def bound(daemon: Daemon, change: dict[str, Any], *, look: bool = False) -> Any:
    """Edit the station file; return the answer."""
    digest = daemon.get("/station/file")["sha256"]
    return daemon.post("/station/file", {"change": change, "sha256": digest, "look": look}, "PATCH")


def until_connected(daemon: Daemon) -> None:
    """Wait until the station's link is connected."""
    deadline = time.monotonic() + PATIENCE_S
    while daemon.get("/links")["links"][0]["state"] != "connected":
        assert time.monotonic() < deadline, daemon.get("/links")
        time.sleep(0.05)


@pytest.mark.attack
def test_a_gauge_is_found_and_bound_to_a_station_with_nothing_in_it(machine: Machine, tmp_path: Path) -> None:
    """What is plugged in is listed with what finds it again; it is read by what is usual, bound, and measures."""
    with Daemon(tmp_path, EMPTY, env=machine.env) as daemon:
        told = daemon.get("/devices")
        by_kind = {each["kind"]: each for each in told["devices"]}
        assert by_kind["serial_port"]["settings"] == {"usb": "1a2b:0c0f:B9"}
        assert by_kind["keyboard_wedge"]["settings"] == {"usb": "1a2b:0c0d:B7"}
        assert (by_kind["serial_port"]["link"], by_kind["serial_port"]["lesson"]) == (None, None)
        said = {key: by_kind["serial_port"][key] for key in ("kind", "settings")}
        lesson = daemon.post("/lessons", said)
        path = f"/lessons/{lesson['lesson']}"
        assert daemon.get(f"{path}/fitting")["fits"] == []
        listed = {each["kind"]: each["lesson"] for each in daemon.get("/devices")["devices"]}
        assert listed == {"serial_port": lesson["lesson"], "keyboard_wedge": None}
        machine.send("ttyUSB7", b"38.014 mm\r\n")
        came(daemon, path, lesson["next"])
        (fit,) = daemon.get(f"{path}/fitting")["fits"]
        assert (fit["origin"], fit["reads"][0]["says"], fit["resolution"]) == (
            "usual",
            "38.014 mm",
            "0.001 mm",
        )
        daemon.post(path, {}, "DELETE")
        change = {
            "links": {"bore-port": fit["link"]},
            "gauges": {"bore": {"link": "bore-port", "resolution": fit["resolution"], **GAUGE}},
        }
        assert bound(daemon, change, look=True)["changes"] == bound(daemon, change)["changes"]
        until_connected(daemon)
        machine.send("ttyUSB7", b"38.015 mm\r\n")
        (reading,) = daemon.wait_for(1, kind="reading")
        assert (reading["gauge"], reading["value_mm"]) == ("bore", "38.015")
        (port,) = (each for each in daemon.get("/devices")["devices"] if each["kind"] == "serial_port")
        assert (port["link"], port["serves"]) == ("bore-port", ["bore"])


@pytest.mark.attack
def test_what_sends_reports_says_itself_how_it_is_read(machine: Machine, tmp_path: Path) -> None:
    """A device that tells how its reports are laid out needs no description: its usages are offered."""
    machine.do("plug", "hidraw3", descriptor=LENGTH.hex())
    with Daemon(tmp_path, EMPTY, env=machine.env) as daemon:
        (probe,) = (each for each in daemon.get("/devices")["devices"] if each["kind"] == "hid_report")
        lesson = daemon.post("/lessons", {key: probe[key] for key in ("kind", "settings")})
        path = f"/lessons/{lesson['lesson']}"
        machine.do("type", "hidraw3", bytes=report(123456))
        came(daemon, path, lesson["next"])
        fit = next(
            each for each in daemon.get(f"{path}/fitting")["fits"] if each["reads"][0]["says"] == "12.3456 mm"
        )
        assert (fit["origin"], fit["link"]["decoder"]["usage"]) == ("device", "ff00:0003")
        daemon.post(path, {}, "DELETE")
        change = {"links": {"hid": fit["link"]}, "gauges": {"probe": {"link": "hid", **GAUGE}}}
        assert bound(daemon, change)["accepted"]
        until_connected(daemon)
        machine.do("type", "hidraw3", bytes=report(-30721))
        assert daemon.wait_for(1, kind="reading")[0]["indication"] == "-3.0721"


def report(logical: int) -> str:
    """Return a report of the probe's, in ten-thousandths of a millimetre, as hexadecimal digits."""
    return (b"\x01\x00" + logical.to_bytes(3, "little", signed=True)).hex()


@pytest.mark.attack
def test_a_gauge_that_types_is_bound_and_nobody_else_gets_its_keys(machine: Machine, tmp_path: Path) -> None:
    """A keyboard that is listened to types for the station alone; its comma is read, and its Enter ends a frame."""
    with Daemon(tmp_path, EMPTY, env=machine.env) as daemon:
        (wedge,) = (each for each in daemon.get("/devices")["devices"] if each["kind"] == "keyboard_wedge")
        lesson = daemon.post("/lessons", {key: wedge[key] for key in ("kind", "settings")})
        path = f"/lessons/{lesson['lesson']}"
        machine.type("event5", "38,014")
        came(daemon, path, lesson["next"])
        assert machine.run("-c", GRAB, "/dev/input/event5").returncode == errno.EBUSY
        fits = daemon.get(f"{path}/fitting")["fits"]
        assert [each["reads"][0]["says"] for each in fits] == ["38.014 mm", "38.014 in"]
        daemon.post(path, {}, "DELETE")
        change = {"links": {"wedge": fits[0]["link"]}, "gauges": {"bore": {"link": "wedge", **GAUGE}}}
        assert bound(daemon, change)["accepted"]
        until_connected(daemon)
        machine.type("event5", "38,015")
        assert daemon.wait_for(1, kind="reading")[0]["value_mm"] == "38.015"


@pytest.mark.attack
def test_what_no_radio_hears_is_said_with_what_to_do(machine: Machine, tmp_path: Path) -> None:
    """Where there is no Bluetooth, who asks for gauges nearby is told why and what to do."""
    with Daemon(tmp_path, EMPTY, env=machine.env) as daemon:
        told = daemon.post("/devices/nearby", {})
        assert (daemon.status, told["devices"]) == (200, [])
        (problem,) = told["problems"]
        assert problem["kind"] == "bluetooth_le"
        assert problem["hint"]
        assert not daemon.get("/devices")["problems"]


@pytest.mark.attack
def test_descriptions_beside_the_station_file_and_other_links_are_tried(tmp_path: Path) -> None:
    """A gauge that sends what a file or another link describes is offered that; a frame that none reads, nothing."""
    folder = tmp_path / "descriptions"
    folder.mkdir()
    (folder / "odd.toml").write_text(
        'kind = "delimited_text"\npattern = "R{skip:2}{sign}{value}"\nunit = "mm"\n'
    )
    (folder / "broken.toml").write_text("kind = ")
    with Port() as own, Port() as free, Daemon(tmp_path, station_file([own])) as daemon:
        lesson = daemon.post("/lessons", {"kind": "serial_port", "settings": {"device": free.path}})
        path = f"/lessons/{lesson['lesson']}"
        free.send(b"R07+12.34\r\n")
        line = came(daemon, path, lesson["next"])
        (fit,) = daemon.get(f"{path}/fitting")["fits"]
        assert (fit["origin"], fit["name"], fit["link"]["decoder"]) == (
            "file",
            "descriptions/odd.toml",
            {"file": "descriptions/odd.toml"},
        )
        free.send(b"\x01\x02\xff\r\n")
        came(daemon, path, line)
        assert daemon.get(f"{path}/fitting")["fits"] == []
        daemon.post(path, {}, "DELETE")
        lent = daemon.post("/lessons", {"link": "usb-0"})
        path = f"/lessons/{lent['lesson']}"
        own.send(b"R07+12.34\r\n")
        came(daemon, path, lent["next"])
        (fit,) = daemon.get(f"{path}/fitting")["fits"]
        assert fit["link"]["decoder"]["pattern"] is None
        daemon.post(path, {}, "DELETE")
        told = bound(daemon, {"links": {"usb-0": fit["link"]}})
        assert daemon.status == 200, told
        until_connected(daemon)
        own.send(b"R07+12.35\r\n")
        assert daemon.wait_for(1, kind="reading")[0]["value_mm"] == "12.35"


def test_who_may_look_and_who_may_listen() -> None:
    """Whoever may look sees what is plugged in; listening by radio slows gauges, so it takes who may set up."""
    assert scope_of("GET", "/v1/devices") is Scope.READ
    assert scope_of("POST", "/v1/devices/nearby") is Scope.SET_UP
    assert scope_of("POST", "/v1/devicesX") is Scope.OPERATE


def test_one_table_is_made_of_another_by_a_merge_patch() -> None:
    """What only the old table has is taken out, at every depth, and nothing else."""
    old = {"kind": "a", "units": {"mm": "mm", "in": "in"}, "pad": True}
    assert instead(old, {"kind": "b", "units": {"MM": "mm"}}) == {
        "pad": None,
        "kind": "b",
        "units": {"mm": None, "in": None, "MM": "mm"},
    }
    assert instead({}, {"kind": "b"}) == {"kind": "b"}


@pytest.mark.attack
def test_a_gauge_by_radio_is_heard_bound_and_listed_with_its_link(tmp_path: Path) -> None:
    """Heard only when asked for; what it notifies is read and bound with its channel; connected, its link is told."""
    own = gauge()
    with bench_aside() as aside:
        aside.bench.place(own)
        env = {"DBUS_SYSTEM_BUS_ADDRESS": aside.bench.bus.address}
        with Daemon(tmp_path, EMPTY, env=env) as daemon:
            assert "bluetooth_le" not in {each["kind"] for each in daemon.get("/devices")["devices"]}
            (heard,) = daemon.post("/devices/nearby", {})["devices"]
            assert heard["settings"] == {"address": own.address}
            lesson = daemon.post("/lessons", {key: heard[key] for key in ("kind", "settings")})
            path = f"/lessons/{lesson['lesson']}"
            aside.wait_until(VALUES)
            aside.do(aside.bench.say(own, b"+0012.345 mm"))
            came(daemon, path, lesson["next"])
            (fit,) = daemon.get(f"{path}/fitting")["fits"]
            assert (fit["reads"][0]["says"], fit["channel"]) == ("12.345 mm", VALUES)
            daemon.post(path, {}, "DELETE")
            change = {
                "links": {"air": fit["link"]},
                "gauges": {"bore": {"link": "air", "channel": fit["channel"], **GAUGE}},
            }
            assert bound(daemon, change)["accepted"]
            until_connected(daemon)
            aside.wait_until(VALUES)
            aside.do(aside.bench.say(own, b"+0012.346 mm"))
            (reading,) = daemon.wait_for(1, kind="reading")
            assert (reading["gauge"], reading["value_mm"]) == ("bore", "12.346")
            (heard,) = daemon.post("/devices/nearby", {})["devices"]
            assert (heard["link"], heard["serves"]) == ("air", ["bore"])
            aside.do(aside.bench.say(own, b"+0012.347 mm"))
            assert len(daemon.wait_for(2, kind="reading")) == 2, "whoever listened took nothing from it"
