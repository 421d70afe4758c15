"""`gaugepost doctor` beyond the station: broker, database, Bluetooth, and a port that is not ours to open."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from tests.bench_tools.bluetooth.bench import VALUES
from tests.bench_tools.bluetooth.bus import private_bus
from tests.bench_tools.broker import Broker, Subscriber
from tests.bench_tools.daemon import Port, station_file
from tests.bench_tools.ports import free_port
from tests.bench_tools.postgres import Server
from tests.cli.test_doctor import doctor, service, written

pytestmark = pytest.mark.attack

BROKER = """
[destinations.plant]
kind = "mqtt"
host = "127.0.0.1"
port = {port}
{more}
"""
DATABASE = """
[destinations.charts]
kind = "postgres"
host = "127.0.0.1"
port = {port}
database = "{name}"
username = "plant"
"""
RADIO = f"""
[station]
name = "test bench"
time_zone = "UTC"
[links.radio]
kind = "bluetooth_le"
address = "00:00:5E:00:53:10"
values = "{VALUES}"
decoder = {{ kind = "delimited_text", pattern = "{{value}} mm" }}
[gauges.g0]
link = "radio"
contact = "three-point"
display = "absolute"
check_limit = "2 µm"
[characteristics.A]
feature = "bore"
limits = "38 H7"
gauges = ["g0"]
"""


def looked(folder: Path, text: str, about: str, code: int, **env: str) -> str:
    """Return what is found of `about` at a station that does not run, and what to do about it."""
    written(folder, text + service(free_port()))
    done = doctor(folder, env=env)
    assert done.returncode == code, done.stdout + done.stderr
    lines = done.stdout.splitlines()
    (at,) = [at for at, line in enumerate(lines) if about in line]
    return "\n".join(lines[at : at + 2])


def test_a_broker(tmp_path: Path) -> None:
    """One that lets us in is well, and hears nothing; one that is away, or wants a password, is a fault."""
    with Port() as port, Broker(tmp_path) as broker:
        text = station_file([port])
        with Subscriber(broker, "#", "-q", "1") as subscriber:
            found = looked(tmp_path, text + BROKER.format(port=broker.port, more=""), "destination plant", 0)
            assert "lets it in" in found
            subscriber.settled()
            assert [each.topic for each in subscriber.heard if "gaugepost" in each.topic] == []
        away = looked(tmp_path, text + BROKER.format(port=free_port(), more=""), "destination plant", 1)
        assert "FAULT" in away
        assert "start the broker, or correct host and port" in away
        more = 'username = "bench"\npassword_file = "no-such-file"'
        lacks = looked(tmp_path, text + BROKER.format(port=broker.port, more=more), "destination plant", 1)
        assert "no-such-file" in lacks
        assert "->" in lacks
    with Port() as port, Broker(tmp_path, ("allow_anonymous false",)) as closed:
        text = station_file([port])
        refused = looked(tmp_path, text + BROKER.format(port=closed.port, more=""), "destination plant", 1)
        assert "not authorized" in refused.lower()
        assert "->" in refused


def test_a_database(tmp_path: Path) -> None:
    """One that lets us in is well, and no table is made; one that is not there is a fault with its remedy."""
    with Port() as port, Server() as server:
        text = station_file([port])
        there = DATABASE.format(port=server.port, name="quality")
        assert "lets it in" in looked(tmp_path, text + there, "destination charts", 0)
        assert server.ask(
            "SELECT count(*) FROM information_schema.schemata WHERE schema_name = 'gaugepost'"
        ) == [(0,)]
        other = looked(
            tmp_path, text + DATABASE.format(port=server.port, name="nothing"), "destination charts", 1
        )
        assert "->" in other
        away = looked(
            tmp_path, text + DATABASE.format(port=free_port(), name="quality"), "destination charts", 1
        )
        assert "->" in away


def test_what_answers_is_no_broker(tmp_path: Path) -> None:
    """A port that takes connections and says nothing is a fault, in bounded time."""
    with Port() as port, closing(socket.create_server(("127.0.0.1", 0))) as mute:
        more = "connect_timeout_s = 1"
        text = station_file([port]) + BROKER.format(port=mute.getsockname()[1], more=more)
        assert "FAULT" in looked(tmp_path, text, "destination plant", 1)


def test_bluetooth(tmp_path: Path) -> None:
    """No bus at all, and a bus without Bluetooth, are told apart from a gauge that is off, each with its remedy."""
    nowhere = looked(tmp_path, RADIO, "link radio", 1, DBUS_SYSTEM_BUS_ADDRESS=f"unix:path={tmp_path}/none")
    with private_bus() as bus:
        without = looked(tmp_path, RADIO, "link radio", 1, DBUS_SYSTEM_BUS_ADDRESS=bus.address)
    for found in (nowhere, without):
        assert "FAULT" in found
        assert "->" in found
    assert nowhere != without
    assert "bluetooth" in without.lower()


def test_a_port_that_is_not_ours_to_open(tmp_path: Path) -> None:
    """Run as the service is, without rights, it names the permission that is missing and how it is given."""
    assert os.geteuid() == 0, "only root has rights to do without: run this test as root"
    bare = ["setpriv", "--inh-caps=-all", "--bounding-set=-all"]
    with Port() as port:
        os.chown(port.device, 65_534, 65_534)
        Path(port.device).chmod(0o600)
        written(tmp_path, station_file([port]).replace(port.path, port.device) + service(free_port()))
        words = [*bare, sys.executable, "-m", "gaugepost", "doctor", "station.toml"]
        done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 1, done.stderr
    assert "FAULT  link usb-0: " in done.stdout
    assert "may not be opened by this user" in done.stdout
    assert "MODE=" in done.stdout
