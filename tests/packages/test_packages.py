"""What a bench PC is given: built once, then installed, upgraded, rolled back and removed as its user would."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from gaugepost.service.page.files import read_all
from tests.bench_tools.daemon import Port
from tests.packages.engine import Engine
from tests.packages.root import Root

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.attack

STATION = """\
[station]
name = "bench-1"
data = "/var/lib/gaugepost"
[service]
port = 8620
[links.usb]
kind = "serial_port"
device = "/dev/serial/by-id/none"
[links.usb.decoder]
kind = "delimited_text"
pattern = "{value} mm"
[gauges.bore]
link = "usb"
contact = "three-point"
display = "absolute"
check_limit = "2 µm"
[characteristics.A]
feature = "bore"
limits = "38 H7"
gauges = ["bore"]
"""
AS_SERVICE = "setpriv --reuid=gaugepost --regid=gaugepost --init-groups --no-new-privs --bounding-set=-all"
RUN = "/usr/bin/gaugepost run /etc/gaugepost/station.toml"


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder with wheel, bundle, and the package in two revisions."""
    output = tmp_path_factory.mktemp("dist")
    build = [sys.executable, str(ROOT / "deploy" / "packages" / "build.py"), "--output", str(output)]
    subprocess.run(build, check=True, capture_output=True, text=True)
    (first,) = output.glob("*.deb")
    tree = output / "tree"
    subprocess.run(["dpkg-deb", "-R", first, tree], check=True)
    control = tree / "DEBIAN" / "control"
    control.write_text(control.read_text().replace("-1\n", "-2\n", 1))
    (rules,) = tree.rglob("core/bench/apply.py")
    rules.write_text(rules.read_text() + "\n# the next revision's\n")
    second = first.with_name(first.name.replace("-1_", "-2_"))
    subprocess.run(["dpkg-deb", "-Zgzip", "-z1", "--build", tree, second], check=True, capture_output=True)
    shutil.rmtree(tree)
    return output


@pytest.fixture
def computer(built: Path, tmp_path: Path) -> Iterator[Root]:
    at = tmp_path / "at"
    at.mkdir()
    with Root(at, built) as root:
        yield root


def works(computer: Root, command: str) -> str:
    """Run the service by `command`, have it asked and ended; return what it answered."""
    service = computer.start(f"exec {command}")
    try:
        assert service.stdout is not None
        said = ""
        while "listening on" not in said:
            line = service.stdout.readline()
            assert line, said
            said += line
        return computer.run(
            "gaugepost bench show --json || /usr/local/gaugepost/bin/gaugepost bench show --json"
        )
    finally:
        service.terminate()
        out, _ = service.communicate(timeout=60)
        assert service.returncode == 0, out


def test_the_package_comes_and_goes_and_what_was_measured_stays(computer: Root) -> None:
    """Installed, run as its own user, upgraded, rolled back, removed, purged: one journal, sound all the way."""
    one, two = "/tmp/given/gaugepost_*-1_*.deb", "/tmp/given/gaugepost_*-2_*.deb"
    said = computer.run(f"dpkg -i {one}")
    assert "/etc/gaugepost/station.toml" in said, "who installs it is told what comes next"
    assert computer.run("stat -c '%U %G %a' /etc/gaugepost /var/lib/gaugepost").split("\n")[:2] == [
        "root gaugepost 770",
        "gaugepost gaugepost 750",
    ]
    assert computer.run("gaugepost --version").startswith("gaugepost ")
    _write(computer, "/etc/gaugepost/station.toml", STATION)
    computer.run("gaugepost check /etc/gaugepost/station.toml")
    assert '"bench-1"' in works(computer, f"{AS_SERVICE} {RUN}")

    for package, revision in ((two, "-2"), (one, "-1")):
        said = computer.run(f"dpkg -i {package}")
        assert re.search(r"^prepared [0-9]+ records in ", said, re.MULTILINE), "its start does not have to"
        assert revision in computer.run("dpkg-query -W -f '${Version}' gaugepost")
        works(computer, f"{AS_SERVICE} {RUN}")
        assert "sound" in computer.run("gaugepost verify /var/lib/gaugepost")

    computer.run("dpkg -r gaugepost")
    assert computer.run("ls -d /usr/lib/gaugepost /usr/bin/gaugepost 2>&1", code=2).count("No such file") == 2
    assert "stays" in computer.run("dpkg -P gaugepost")
    assert "journal.db" in computer.run("ls /var/lib/gaugepost")
    assert "station.toml" in computer.run("ls /etc/gaugepost")
    computer.run(f"dpkg -i {one}")
    starts = computer.run("gaugepost export /var/lib/gaugepost --format jsonl --kind start | wc -l")
    assert int(starts) == 3, "the same journal was taken up each time"


def test_the_bundle_installs_without_a_network(computer: Root) -> None:
    """Nothing but the bundle is needed, a file that was changed on the way is found, and the demo runs from it."""
    computer.run("mkdir /srv/b; tar -xzf /tmp/given/gaugepost-*.tar.gz -C /srv/b --strip-components=1")
    computer.run("printf x >> /srv/b/wheels/$(ls /srv/b/wheels | grep ^pyserial)")
    assert "pyserial" in computer.run("sh /srv/b/install.sh /srv/g", code=1)
    computer.run("ls /srv/g", code=2)
    computer.run("tar -xzf /tmp/given/gaugepost-*.tar.gz -C /srv/b --strip-components=1")
    assert "gaugepost demo" in computer.run("sh /srv/b/install.sh /srv/g")
    assert "journal" in computer.run("/srv/g/bin/gaugepost demo --once")


def test_the_container_file_is_built_and_run_as_it_says(built: Path, tmp_path: Path) -> None:
    """The commands in its comments, typed at an engine: a gauge is read without root, on a root that is read-only."""
    file = ROOT / "deploy" / "container" / "Containerfile"
    (tmp_path / "deploy").symlink_to(ROOT / "deploy")
    (tmp_path / "dist").symlink_to(built)
    (tmp_path / "engine").mkdir()
    station_file = STATION.replace("/dev/serial/by-id/none", "/dev/ttyUSB0")
    (tmp_path / "station.toml").write_text(station_file, encoding="utf-8")
    (bundle,) = built.glob("*.tar.gz")
    build, run, show, stop = _typed(file)
    with Port() as gauge, Engine(tmp_path / "engine", tmp_path) as engine:
        os.chown(gauge.device, 0, 61_020)  # a group that the image's user is not in by itself
        Path(gauge.device).chmod(0o660)
        engine.has_base(re.findall(r"^ARG BASE=(\S+)$", file.read_text(), re.MULTILINE)[0])
        name = bundle.name.removesuffix(".tar.gz")
        engine.types(re.sub(r"BUNDLE=\S+", f"BUNDLE={name}", build))
        # A node of a pseudo-terminal is one below /dev/pts alone: it is bound where a device is made anew.
        run = run.replace("--device /dev/ttyUSB0", f"-v {gauge.device}:/dev/ttyUSB0")
        station = engine.start(f"exec {run.replace('%g /dev/ttyUSB0', f'%g {gauge.device}')}")
        assert station.stdout is not None
        try:
            said = ""
            while "listening on" not in said:
                line = station.stdout.readline()
                assert line, said
                said += line
            gauge.send(b"38.0141 mm\r\n")
            recorded = "curl -fsS 'http://127.0.0.1:8620/v1/records?kind=reading&wait=20'"
            assert "38.0141" in engine.types(recorded)
            assert "bore" in engine.types(show)
            inside = show.split(" /usr")[0]
            as_root = inside.replace("exec", "exec --user 0")
            held = engine.types(f"{inside} cat /proc/1/status")
            facts = dict(line.split(":\t", 1) for line in held.splitlines() if ":\t" in line)
            assert set(facts["Uid"].split()) == {"8620"}
            assert int(facts["CapEff"], 16) == int(facts["CapBnd"], 16) == 0
            assert facts["NoNewPrivs"] == "1"
            for place in ("/x", "/usr/local/gaugepost/x", "/etc/gaugepost/station.toml"):
                assert "Read-only file system" in engine.types(f"{as_root} touch {place}", code=1)
            assert engine.types(f"{inside} stat -c '%U %a' /var/lib/gaugepost") == "gaugepost 700\n"
            engine.types(stop)
        finally:
            engine.types("podman rm --all --force --time 0")
            out, _ = station.communicate(timeout=60)
        assert station.returncode == 0, out


def _typed(file: Path) -> list[str]:
    """Return what the container file says to type at an engine, each as one line."""
    said = re.sub(r"\\\n#\s+", "", file.read_text(encoding="utf-8"))
    return re.findall(r"^#   (podman .+)$", said, re.MULTILINE)


def test_the_bench_page_is_in_it(built: Path) -> None:
    """The wheel, of which bundle and package are made, has every file of the page."""
    (wheel,) = built.glob("*.whl")
    with zipfile.ZipFile(wheel) as opened:
        inside = {name: opened.read(name) for name in opened.namelist() if "/page/static/" in name}
    files = {f"gaugepost/service/page/static/{name}": each.content for name, each in read_all().items()}
    assert inside == files


def test_what_is_built_is_the_same_again(built: Path, tmp_path: Path) -> None:
    """The same source gives the same wheel, byte for byte."""
    (wheel,) = built.glob("*.whl")
    again = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    time.sleep(2.1)  # what carries the time of its making would differ: files in an archive know two seconds
    moment = re.findall(r'^EPOCH = "(\d+)"$', (ROOT / "deploy/packages/build.py").read_text(), re.MULTILINE)[
        0
    ]
    env = {**os.environ, "SOURCE_DATE_EPOCH": moment}
    subprocess.run(again, check=True, capture_output=True, cwd=ROOT, env=env)
    assert (tmp_path / wheel.name).read_bytes() == wheel.read_bytes()


def _write(computer: Root, path: str, text: str) -> None:
    computer.run(f"mkdir -p $(dirname {path}); cat > {path} <<'END'\n{text}\nEND")
