"""`gaugepost doctor` on stations that are ill in one way each."""

from __future__ import annotations

import datetime
import json
import os
import socket
import subprocess
import sys
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

import pytest
import trustme

from gaugepost.commands.doctor import computer
from gaugepost.edge.journal import Journal
from gaugepost.edge.stationfile import Station, read_station
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.ports import free_port
from tests.edge.readings import reading

pytestmark = pytest.mark.attack

ENCRYPTED = """
[service]
certificate_file = "service.pem"
key_file = "service.key"
names = ["bench-1.example"]
"""


def doctor(
    folder: Path, *words: str, env: Mapping[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run it on the station in `folder`."""
    command = [sys.executable, "-m", "gaugepost", "doctor", "station.toml", *words]
    return subprocess.run(
        command, capture_output=True, text=True, cwd=folder, env={**os.environ, **(env or {})}, timeout=120
    )


def written(folder: Path, text: str) -> Station:
    """Write a station file and return the station."""
    file = folder / "station.toml"
    file.write_text(text)
    return read_station(file)


def service(port: int) -> str:
    """Return a table [service]."""
    return f"\n[service]\nport = {port}\n"


def test_before_the_first_start(tmp_path: Path) -> None:
    """A gauge that is there is opened, one that is not is named with what to do, and exit code 1 says so."""
    with Port() as port:
        text = station_file([port]) + service(free_port())
        written(tmp_path, text)
        done = doctor(tmp_path)
        assert done.returncode == 0, done.stdout + done.stderr
        assert f"ok     link usb-0: can be opened: {port.path}" in done.stdout
        assert "ok     journal: none yet" in done.stdout
        assert not (tmp_path / "data").exists()
        written(tmp_path, text.replace(port.path, "/dev/no-such-port"))
        done = doctor(tmp_path)
    assert done.returncode == 1
    assert "FAULT  link usb-0: " in done.stdout
    assert "       -> " in done.stdout.partition("FAULT  link usb-0: ")[2]


def test_while_it_runs(tmp_path: Path) -> None:
    """Where the service runs it is asked, and nothing that it holds is touched."""
    with Port() as port, Daemon(tmp_path, station_file([port])) as daemon:
        number = daemon.address.rpartition(":")[2]
        (tmp_path / "station.toml").write_text(daemon.station + service(int(number)))
        port.send(b"38.0000 mm\r\n")
        daemon.wait_for(1, kind="reading")
        found = json.loads(doctor(tmp_path, "--json").stdout)["findings"]
    by = {one["about"]: one for one in found}
    assert by["service"]["level"] == "well"
    assert by["link usb-0"]["level"] == "well"
    assert by["gauge g0"]["level"] == "warning"
    assert by["destination sheet"]["level"] == "well"
    assert all(one["remedy"] for one in found if one["level"] != "well")


def test_a_link_that_is_lost(tmp_path: Path) -> None:
    """A running service's lost link is a fault, with what to do."""
    with Port() as port:
        text = station_file([port]).replace(port.path, "/dev/no-such-port")
        with Daemon(tmp_path, text) as daemon:
            number = int(daemon.address.rpartition(":")[2])
            (tmp_path / "station.toml").write_text(text + service(number))
            daemon.wait_for(1, kind="set-up")
            done = doctor(tmp_path)
    assert done.returncode == 1
    assert "FAULT  link usb-0: " in done.stdout


def test_the_address_is_taken(tmp_path: Path) -> None:
    """Another program at the service's address is found before the start."""
    with Port() as port, socket.create_server(("127.0.0.1", 0)) as other:
        station = written(tmp_path, station_file([port]) + service(other.getsockname()[1]))
        (found,) = computer.address(station, runs=False)
    assert found.level == "fault"
    assert "is in use by another program" in found.finding
    assert "[service]" in found.remedy


@pytest.mark.parametrize(
    ("name", "ends_days", "level", "said"),
    [
        ("bench-1.example", 400, "well", "good for bench-1.example"),
        ("bench-1.example", 10, "warning", "it ends in"),
        ("bench-1.example", -1, "fault", "expired"),
        ("other.example", 400, "fault", "not right for bench-1.example"),
    ],
)
def test_certificates(name: str, ends_days: int, level: str, said: str, tmp_path: Path) -> None:
    """A certificate that is over, soon will be, or is another computer's is found before a client finds it."""
    with Port() as port:
        station = written(tmp_path, station_file([port]) + ENCRYPTED)
    station.data.mkdir()
    end = datetime.datetime.now(datetime.UTC) + datetime.timedelta(days=ends_days)
    made = trustme.CA().issue_cert(name, not_after=end)
    made.cert_chain_pems[0].write_to_path(str(station.data / "service.pem"))
    made.private_key_pem.write_to_path(str(station.data / "service.key"))
    (found,) = computer.door(station)
    assert (found.level, found.about) == (level, "certificate")
    assert said in found.finding


def test_no_certificate(tmp_path: Path) -> None:
    """A certificate that is not there is a fault."""
    with Port() as port:
        station = written(tmp_path, station_file([port]) + ENCRYPTED)
    (found,) = computer.door(station)
    assert (found.level, "can't be read" in found.finding) == ("fault", True)


def test_nobody_has_a_token(tmp_path: Path) -> None:
    """Where tokens are wanted and nobody has one, that is said with how to grant one."""
    with Port() as port:
        station = written(tmp_path, station_file([port]) + "\n[service]\ntokens = true\n")
    (found,) = computer.door(station)
    assert (found.level, "access grant" in found.remedy) == ("warning", True)


def test_a_folder_that_can_not_be(tmp_path: Path) -> None:
    """A data folder below what is no folder can't be written."""
    (tmp_path / "taken").write_text("")
    with Port() as port:
        station = written(
            tmp_path, station_file([port]).replace("[station]", '[station]\ndata = "taken/data"')
        )
    found = next(computer.folder(station))
    assert (found.level, found.about) == ("fault", "data folder")


def test_a_network_share(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A data folder on a share is a fault: a journal is not safe there."""
    mounts = tmp_path / "mounts"
    mounts.write_text(f"/dev/sda1 / ext4 rw 0 0\nserver:/bench {tmp_path} nfs4 rw 0 0\n")
    monkeypatch.setattr(computer, "MOUNTS", mounts)
    with Port() as port:
        station = written(tmp_path, station_file([port]))
    assert "network share (nfs4)" in [found.finding for found in computer.folder(station)][-1]


def test_a_full_disk(tmp_path: Path) -> None:
    """Less room than the station's own floor is a fault, with the way to make some."""
    with Port() as port:
        text = station_file([port])
    for floor, level in (("1 MB", "well"), ("900 TB", "fault")):
        station = written(tmp_path, text.replace("[station]", f'[station]\ndisk_floor = "{floor}"'))
        (disk,) = [found for found in computer.folder(station) if found.about == "disk"]
        assert disk.level == level
    assert "gaugepost archive" in disk.remedy


def test_journals(tmp_path: Path) -> None:
    """Another station's journal, a damaged one, and one from the future are faults."""
    with Port() as port:
        station = written(tmp_path, station_file([port]))
    with closing(Journal.open(station.data / "journal.db", "another bench")):
        pass
    (found,) = computer.journal(station)
    assert "journal of station 'another bench'" in found.finding
    for each in station.data.iterdir():
        each.unlink()
    with closing(Journal.open(station.data / "journal.db", station.name)) as journal:
        journal.append([reading(measured_at=9_999_999_999_999)])
    whole, ahead = computer.journal(station)
    assert (whole.level, ahead.about, ahead.level) == ("well", "clock", "fault")
    (station.data / "journal.db").write_bytes(b"no database" * 1000)
    (found,) = computer.journal(station)
    assert found.level == "fault"
    assert found.remedy
