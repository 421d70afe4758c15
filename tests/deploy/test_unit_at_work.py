"""The unit in deploy/systemd at a real service manager: ready, fed, started again where it hangs, reloaded, stopped."""

from __future__ import annotations

import json
import shlex
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.bench_tools.booted import Booted
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.ports import free_port

pytestmark = pytest.mark.attack

UNIT = Path(__file__).parents[2] / "deploy" / "systemd" / "gaugepost.service"
NAME = "gaugepost.service"

PREPARE = r"""
cp {unit} /etc/systemd/system/gaugepost.service
mkdir -p /etc/systemd/system/gaugepost.service.d /etc/gaugepost
# A minute is long for a test; all else is the unit's own.
printf '[Service]\nWatchdogSec=10\nStandardError=append:/run/station.log\n' \
    > /etc/systemd/system/gaugepost.service.d/test.conf
cp {station} /etc/gaugepost/station.toml
# As the package makes it: the service may replace the station file.
chown root:gaugepost /etc/gaugepost
chmod 770 /etc/gaugepost
chmod 644 /etc/gaugepost/station.toml
"""


@pytest.fixture
def gauge() -> Iterator[Port]:
    """A gauge on a terminal that the service's user may open, as device rules see to."""
    with Port() as port:
        Path(port.device).chmod(0o666)
        yield port


@pytest.fixture
def station(tmp_path: Path, gauge: Port) -> Daemon:
    """The station, as a test asks it; it is started by the service manager."""
    port = free_port()
    text = station_file([gauge], extra=f"[service]\nport = {port}\n")
    text = text.replace(gauge.path, gauge.device)  # the service sees none of our temporary files
    text = text.replace("[station]", '[station]\ndata = "/var/lib/gaugepost"')
    (tmp_path / "station.toml").write_text(text, encoding="utf-8")
    return Daemon(tmp_path, text, address=f"http://127.0.0.1:{port}")


@pytest.fixture
def computer(tmp_path: Path, station: Daemon) -> Iterator[Booted]:
    """A computer that has the unit and a station file."""
    prepare = PREPARE.format(unit=shlex.quote(str(UNIT)), station=shlex.quote(str(tmp_path / "station.toml")))
    with Booted(tmp_path, prepare) as computer:
        yield computer


def test_it_works_with_all_that_it_may_not(computer: Booted, station: Daemon, gauge: Port) -> None:
    """Active means ready; it measures without rights, reloads in place, and its stop is clean and on record."""
    computer.run("systemctl", "start", NAME)
    state, main, status = computer.shows(NAME, "ActiveState", "MainPID", "StatusText")
    assert state == "active"
    assert status.startswith("listening on "), "it was active before it said that it is ready"
    gauge.send(b"38.0141 mm\r\n")
    assert station.wait_for(1, kind="reading")

    said = computer.run("cat", f"/proc/{main}/status")
    facts = dict(line.split(":\t", 1) for line in said.splitlines() if ":\t" in line)
    assert set(facts["Uid"].split()) == {"64999"}
    assert int(facts["CapEff"], 16) == int(facts["CapBnd"], 16) == 0
    assert (facts["NoNewPrivs"], facts["Seccomp"]) == ("1", "2")
    owners = computer.run("stat", "--format=%U %a", "/var/lib/gaugepost", "/var/lib/gaugepost/journal.db")
    assert owners.split("\n")[:2] == ["gaugepost 750", "gaugepost 600"]
    for place in ("/etc", "/usr", "/var/log"):
        seen = computer.run("nsenter", "-t", main, "-m", "--", "touch", f"{place}/x", code=None)
        assert "Read-only file system" in seen, "by root either"

    computer.run("systemctl", "reload", NAME)
    assert computer.shows(NAME, "ActiveState", "MainPID") == ["active", main]

    change = {"characteristics": {"B": {"feature": "bore", "limits": "20 H6", "gauges": ["g0"]}}}
    edit = {
        "change": change,
        "sha256": station.get("/station/file")["sha256"],
        "operator": "M2",
        "reason": "new",
    }
    told = station.post("/station/file", edit, "PATCH")
    assert station.status == 200, told
    assert "[characteristics.B]" in computer.run("cat", "/etc/gaugepost/station.toml")

    computer.run("systemctl", "stop", NAME)
    assert computer.shows(NAME, "ActiveState", "Result", "ExecMainStatus") == ["inactive", "success", "0"]
    exported = computer.run("gaugepost", "export", "/var/lib/gaugepost", "--format", "jsonl")
    assert json.loads([line for line in exported.splitlines() if line.startswith("{")][-1])["kind"] == "stop"


def test_what_hangs_is_started_again(computer: Booted, station: Daemon, gauge: Port) -> None:
    """A service that runs is left alone by the watchdog; one that hangs is ended and started again, and measures on."""
    computer.run("systemctl", "start", NAME)
    (main,) = computer.shows(NAME, "MainPID")
    gauge.send(b"38.0141 mm\r\n")
    station.wait_for(1, kind="reading")
    fed: set[str] = set()
    while len(fed) < 4:
        fed |= {*computer.shows(NAME, "WatchdogTimestampMonotonic")}
    assert computer.shows(NAME, "NRestarts", "MainPID") == ["0", main]

    computer.run("kill", f"-{signal.SIGSTOP.value}", main)
    computer.until_shows(NAME, "NRestarts", "1")
    computer.until_shows(NAME, "ActiveState", "active")
    assert computer.shows(NAME, "MainPID") != [main]
    head = station.get("/station")["head"]
    gauge.send(b"38.0142 mm\r\n")
    station.wait_for(1, after=head, kind="reading")
    assert [each["indication"] for each in station.records(kind="reading")] == ["38.0141", "38.0142"]


def test_a_wrong_station_file_waits_for_a_person(computer: Booted) -> None:
    """What another start can't mend is not started again and again, and the log says what is wrong."""
    computer.run("sh", "-c", "echo 'nonsense = 1' > /etc/gaugepost/station.toml")
    computer.run("systemctl", "start", NAME, code=1)
    computer.until_shows(NAME, "ActiveState", "failed")
    assert computer.shows(NAME, "ExecMainStatus", "NRestarts") == ["2", "0"]
    assert "nonsense" in computer.run("cat", "/run/station.log")


def test_devices_of_no_gauge_are_closed_to_it(computer: Booted) -> None:
    """Under the unit's own rules terminals and such open, and neither memory nor a disk does, not even for root."""
    rules = [line for line in UNIT.read_text("utf-8").splitlines() if line.startswith("Device")]
    assert "DevicePolicy=closed" in rules
    computer.run("mknod", "/run/memory", "c", "1", "11")
    computer.run("mknod", "/run/disk", "b", "7", "99")
    probe = "for each in /dev/zero /dev/ptmx /run/memory /run/disk; do true < $each; echo $each $?; done"
    lines = [
        "[Service]",
        "Type=oneshot",
        *rules,
        f"ExecStart=/bin/sh -c '{probe}'",
        "StandardOutput=file:/run/said",
    ]
    unit = shlex.quote("\n".join([*lines, "StandardError=null", ""]))
    computer.run("sh", "-c", f"printf '%s' {unit} > /etc/systemd/system/probe.service")
    computer.run("systemctl", "daemon-reload")
    computer.run("systemctl", "start", "probe.service", code=None)
    said = computer.run("cat", "/run/said").split("\n")
    assert said[:4] == ["/dev/zero 0", "/dev/ptmx 0", "/run/memory 2", "/run/disk 2"]
