"""A stranger's package, built and installed: found by its entry point, checked, run, and held to the kit."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench_tools.daemon import Daemon, Port, station_file

PACKAGE = Path(__file__).with_name("third_party")
KIT = """
import sys

class Refused:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in ("pytest", "_pytest", "hypothesis", "gaugepost_adapters"):
            raise ModuleNotFoundError(name)

sys.meta_path.insert(0, Refused())
from decimal import Decimal
from gaugepost.contract import Chunk, Condition, Indication, Unit
from gaugepost.contract.kit import NotHeld, decoders, destinations, links
from counted_thousandths import CountedThousandths, Settings

good = b"N-00012;"
samples = [
    decoders.Sample(good + b"X+00000;", (
        Indication("-00.012", Decimal("-0.012"), Unit.MM, good), Condition("X", "plunger at its stop", b"X+00000;"),
    )),
    decoders.Sample(good, (Indication("-00.012", Decimal("-0.012"), Unit.MM, good),), complete=True),
]
decoders.check_decoder(lambda: CountedThousandths(Settings()), samples)

class Guessing(CountedThousandths):
    def idle(self, elapsed_s):
        return self.feed(Chunk(b";", decoders.MOMENT)) if elapsed_s else []

try:
    decoders.check_decoder(lambda: Guessing(Settings()), samples)
except NotHeld as broken:
    print(f"held, and broken: {broken.promise}")
"""


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the package is installed: built by its own back end from a copy, with nothing fetched."""
    folder = tmp_path_factory.mktemp("stranger")
    shutil.copytree(PACKAGE, folder / "source", ignore=shutil.ignore_patterns("__pycache__"))
    words = ["--quiet", "--no-index", "--no-build-isolation", "--no-deps", "--disable-pip-version-check"]
    subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "install",
            *words,
            "--target",
            str(folder / "site"),
            str(folder / "source"),
        ],
        check=True,
        timeout=300,
    )
    return folder / "site"


def gaugepost(*words: str, site: Path | None = None) -> subprocess.CompletedProcess[str]:
    env = {**os.environ, **({"PYTHONPATH": str(site)} if site else {})}
    return subprocess.run(
        [sys.executable, "-m", "gaugepost", *words],
        capture_output=True,
        text=True,
        env=env,
        cwd="/",
        timeout=120,
        check=False,
    )


def station(port: Port, decoder: str = "") -> str:
    return station_file([port]).replace(
        'kind = "delimited_text"\npattern = "{value} {unit}"\nunits = { mm = "mm", in = "in" }',
        f'kind = "counted_thousandths"\n{decoder}',
    )


@pytest.mark.attack
def test_a_strangers_decoder_is_found_and_its_settings_are_checked(installed: Path, tmp_path: Path) -> None:
    """Installed it is a kind like any other, with findings at its keys; otherwise one that nobody offers."""
    file = tmp_path / "station.toml"
    with Port() as port:
        file.write_text(station(port), encoding="utf-8")
        right = gaugepost("check", str(file), site=installed)
        assert right.returncode == 0, right.stdout + right.stderr
        absent = gaugepost("check", str(file))
        assert absent.returncode == 2
        assert 'kind: "counted_thousandths" is not an installed kind of decoder' in absent.stdout
        file.write_text(station(port, "units = 1"), encoding="utf-8")
        wrong = gaugepost("check", str(file), site=installed)
    assert (
        '"units" is not a key of a decoder of kind "counted_thousandths"; expected unit; write unit'
        in wrong.stdout
    )
    assert '"const": "counted_thousandths"' in gaugepost("schema", site=installed).stdout


@pytest.mark.attack
def test_the_daemon_runs_a_strangers_decoder(installed: Path, tmp_path: Path) -> None:
    """Its indications come out of the real daemon as any gauge's do."""
    with Port() as port, Daemon(tmp_path, station(port), {"PYTHONPATH": str(installed)}) as daemon:
        port.send(b"N+38002;")
        (record,) = daemon.wait_for(1, kind="reading")
        assert (record["indication"], record["indication_unit"]) == ("38.002", "mm")
        assert bytes.fromhex(record["raw"]) == b"N+38002;"


@pytest.mark.attack
def test_the_kit_needs_no_test_framework(installed: Path, tmp_path: Path) -> None:
    """All three kits import, and hold or refuse a stranger's decoder, where neither pytest nor our adapters are."""
    done = subprocess.run(
        [sys.executable, "-c", KIT],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(installed)},
        cwd=tmp_path,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("held, and broken: half a frame, ended by silence, is a bad frame")
