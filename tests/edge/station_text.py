"""A station file that nothing is wrong with, and what it says when something of it is changed."""

from __future__ import annotations

from pathlib import Path

from gaugepost.edge.stationfile import Station, read_station

BASE = """\
[station]
name = "bush-bench"
time_zone = "Europe/Berlin"

[links.port]
kind = "serial_port"
device = "/dev/ttyUSB0"

[links.port.decoder]
kind = "delimited_text"
pattern = "{value}"
unit = "mm"

[gauges.bore-38]
link = "port"
contact = "three-point"
display = "absolute"
size_range = ["35 mm", "45 mm"]
check_limit = "2 µm"

[masters.ring-38]
size = "38.0012 mm"
uncertainty = "0.8 µm"
coverage_factor = 2
due = 2027-03-31

[characteristics.bush]
feature = "bore"
limits = "38 H7"
gauges = ["bore-38"]
masters = ["ring-38"]
"""


def read(folder: Path, text: str) -> Station:
    file = folder / "bench.toml"
    file.write_text(text, encoding="utf-8")
    return read_station(file)


def edited(*edits: tuple[str, str]) -> str:
    text = BASE
    for old, new in edits:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text
