"""Gauges that send nibbles and binary: through real ports into the real daemon, each told of in its description."""

from __future__ import annotations

import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import pytest

from tests.bench_tools.captures import every
from tests.bench_tools.daemon import Daemon, Port

CAPTURES = {
    capture.name: capture
    for capture in every()
    if capture.name in ("nibbles_low_first", "float_with_length", "long_integer_in_silence")
}


def station(ports: dict[str, Port]) -> str:
    text = '[station]\nname = "test bench"\ntime_zone = "UTC"\n'
    for name, port in ports.items():
        channel = 'channel = "1"' if name == "float_with_length" else ""
        text += f"""
[links.{name}]
kind = "serial_port"
device = "{port.path}"
[links.{name}.decoder]
file = "descriptions/{name}.toml"
[gauges.{name}]
link = "{name}"
{channel}
contact = "single"
display = "absolute"
check_limit = "2 µm"
"""
    names = ", ".join(f'"{name}"' for name in ports)
    return (
        text
        + f"""
[masters.ring-1]
size = "38.0012 mm"
[characteristics.A]
feature = "bore"
limits = "38 H7"
gauges = [{names}]
"""
    )


@pytest.mark.attack
def test_described_gauges_are_read_journaled_and_read_again(tmp_path: Path) -> None:
    """What each gauge sent is a reading of its exact digits, and the journal alone gives the same numbers again."""
    (tmp_path / "descriptions").mkdir()
    for name, capture in CAPTURES.items():
        told = (Path(__file__).parents[1] / "captures" / f"{name}.toml").read_text(encoding="utf-8")
        # A capture's settings are what a description says.
        settings = told.partition("[settings]\n")[2].partition("[[frame]]")[0].replace("[settings.", "[")
        file = tmp_path / "descriptions" / f"{name}.toml"
        file.write_text(f'kind = "{capture.decoder}"\n{settings}', encoding="utf-8")
    ports = {name: Port() for name in CAPTURES}
    try:
        with Daemon(tmp_path, station(ports)) as daemon:
            for name, port in ports.items():
                for frame in CAPTURES[name].frames[:1]:
                    for at in range(len(frame.data)):
                        port.send(frame.data[at : at + 1])
            records = daemon.wait_for(3, kind="reading")
        for record in records:
            frame = CAPTURES[record["gauge"]].frames[0]
            assert bytes.fromhex(record["raw"]) == frame.data
            assert (
                Decimal(record["indication"]) * (1 if record["indication_unit"] == "mm" else Decimal("0.001"))
                == frame.mm[0]
            )
    finally:
        for port in ports.values():
            port.close()
    done = subprocess.run(
        [sys.executable, "-m", "gaugepost", "verify", str(daemon.journal), "--numbers"],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
