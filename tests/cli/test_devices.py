"""What `gaugepost devices` says is plugged in, and who has it."""

import json
import os
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from gaugepost import cli
from gaugepost.contract import AdapterSettings
from gaugepost_adapters.links import device_files
from gaugepost_adapters.links.serial.settings import Settings as SerialSettings
from gaugepost_adapters.links.wedge.settings import Settings as WedgeSettings
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.keyboard import Keyboard, Machine

NOBODY = "http://127.0.0.1:1"


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Machine:
    """A machine with nothing plugged in and no service."""
    monkeypatch.setattr(list_ports, "comports", list)
    monkeypatch.setenv("GAUGEPOST_AT", NOBODY)
    return Machine(tmp_path, monkeypatch)


@pytest.fixture
def gauge(machine: Machine) -> Iterator[Keyboard]:
    """A keyboard that is plugged in."""
    keyboard = Keyboard()
    machine.plug("event5", keyboard.path)
    yield keyboard
    keyboard.close()


def _serial(path: str, number: str | None = "B1") -> ListPortInfo:
    port = ListPortInfo(path)
    port.vid, port.pid, port.serial_number, port.location = 0x1A2B, 0x0C0D, number, "1-4"
    port.product = "Bench Adapter"
    return port


def _said(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> str:
    assert cli.main(["devices", *words]) == code
    return capsys.readouterr().out


def test_nothing_plugged_in_says_what_to_do(machine: Machine, capsys: pytest.CaptureFixture[str]) -> None:
    """Where there is no device a person is told how to get one to show, and a program gets no line and exit code 1."""
    said = _said(capsys, code=1)
    assert "nothing is plugged in" in said
    assert "Plug the gauge in and look again" in said
    assert _said(capsys, "--json", code=1) == ""


def test_the_lines_can_be_pasted(
    machine: Machine, gauge: Keyboard, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is printed for a station file is TOML that the link's own settings take."""
    with Port() as port:
        ports = [_serial(port.path), _serial("/dev/none-1", None), _serial("/dev/none-2", None)]
        monkeypatch.setattr(list_ports, "comports", lambda: ports)
        said = _said(capsys)
        tables = [tomllib.loads("\n".join(part.splitlines()[1:])) for part in _tables(said)]
    kinds: dict[str, type[AdapterSettings]] = {"keyboard_wedge": WedgeSettings, "serial_port": SerialSettings}
    found = []
    for table in tables:
        settings = table["links"]["NAME"]
        kinds[settings.pop("kind")].model_validate(settings)
        found.append(settings)
    assert found[:2] == [{"usb": "1a2b:0c0d:B7"}, {"usb": "1a2b:0c0d", "usb_port": "1-4"}]
    assert {"usb": "1a2b:0c0d:B1"} in found
    assert "Bench Gauge, at " in said


def _tables(said: str) -> Iterator[str]:
    for part in said.split("\n\n"):
        lines = part.splitlines()
        yield "\n".join(
            line
            for line in lines
            if not line.startswith(("  in use", "  open in", "  not perm", "    ", "  note"))
        )


def test_json_is_one_line_each(machine: Machine, gauge: Keyboard, capsys: pytest.CaptureFixture[str]) -> None:
    """A program gets each device on a line of its own, everything that a person is told among its keys."""
    machine.plug("event6", gauge.path, usb="1a2b:0c0e:B8")
    first, second = map(json.loads, _said(capsys, "keyboard_wedge", "--json").splitlines())
    assert (first["kind"], first["settings"], first["link"]) == (
        "keyboard_wedge",
        {"usb": "1a2b:0c0d:B7"},
        None,
    )
    assert second["settings"] == {"usb": "1a2b:0c0e:B8"}


HOLD = "import os, sys; os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); print(flush=True); sys.stdin.read()"


def test_whoever_has_it_open_is_named(
    machine: Machine, gauge: Keyboard, capsys: pytest.CaptureFixture[str]
) -> None:
    """Another program that has a device open is shown with its process."""
    command = [sys.executable, "-c", HOLD, gauge.path]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        other.stdout.readline()
        assert f"(process {other.pid})" in _said(capsys)
        other.communicate(b"")
    assert "open in" not in _said(capsys)


@pytest.mark.attack
def test_a_running_service_shows_with_its_link(
    machine: Machine, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the running service has open is shown with the link's name in its station file."""
    with Port() as port, Daemon(tmp_path, station_file([port])) as daemon:
        monkeypatch.setattr(list_ports, "comports", lambda: [_serial(port.path)])
        monkeypatch.setenv("GAUGEPOST_AT", daemon.address)
        port.send(b"38.0 mm\r\n")
        daemon.wait_for(1, kind="reading")
        assert "in use: link usb-0 of the running service" in _said(capsys)


def test_a_missing_permission_comes_with_its_rule(
    machine: Machine, gauge: Keyboard, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What may not be opened is said with the device rule to write and where, as deploy's own file has it."""
    monkeypatch.setattr(os, "access", lambda *_: False)
    said = _said(capsys)
    assert "may not be opened by this user" in said
    written = (Path(__file__).parents[2] / "deploy" / "device-rules" / "70-gaugepost.rules").read_text()
    line = said[said.index("SUBSYSTEM") :].partition(" and then")[0]
    assert f"#{line}\n" in written
    assert device_files.RULES in said
