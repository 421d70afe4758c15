"""Station files of many benches, from one list."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

from gaugepost.edge.stationfile import read_station

PLANT = Path(__file__).parents[2] / "deploy" / "plant"


def stations(
    folder: Path, rows: str, template: Path = PLANT / "template.toml"
) -> subprocess.CompletedProcess[str]:
    (folder / "list.csv").write_text(rows, encoding="utf-8")
    words = [sys.executable, str(PLANT / "stations.py"), "list.csv", str(template), "stations"]
    return subprocess.run(words, capture_output=True, text=True, cwd=folder, timeout=60, check=False)


def test_a_hundred_station_files_come_of_one_list(tmp_path: Path) -> None:
    """Each is a station that can run, with its own name, ring and port, whatever signs stand in them."""
    head = "bench,zone,port,ring,ring_serial\n"
    rows = [f'b-{at},UTC,1a2b:0c0d:A{at},38.{at:04} mm,"R""{at}\\"\n' for at in range(100)]
    made = stations(tmp_path, head + "".join(rows))
    assert made.returncode == 0, made.stderr
    for at in (0, 7, 99):
        station = read_station(tmp_path / "stations" / f"b-{at}.toml")
        assert station.name == f"b-{at}"
        assert station.set_up.masters["ring-38"].serial == f'R"{at}\\'
    assert len(list((tmp_path / "stations").iterdir())) == 100


def test_one_row_that_is_wrong_leaves_everything_as_it_was(tmp_path: Path) -> None:
    """The answer names the row, or the file, line and key; no file is written, of good rows neither."""
    head = "bench,zone,port,ring,ring_serial\n"
    good = "b-1,UTC,1a2b:0c0d:A1,38.0012 mm,R1\n"
    for row, said in (
        ("../b-2,UTC,1a2b:0c0d:A2,38.0012 mm,R2\n", "line 3"),
        ("b-1,UTC,1a2b:0c0d:A2,38.0012 mm,R2\n", "line 3"),
        ("b-2,UTC,1a2b:0c0d:A2,38 parsecs,R2\n", "b-2.toml:32: masters.ring-38.size"),
        ("b-2,Mars,1a2b:0c0d:A2,38 mm,R2\n", "station.time_zone"),
        ("b-2,UTC,1a2b:0c0d:A2\n", "line 3: nothing is said for ring"),
    ):
        made = stations(tmp_path, head + good + row)
        assert made.returncode == 2
        assert said in made.stderr
        assert not (tmp_path / "stations").exists()


def test_the_example_is_right() -> None:
    """The list and the template beside the tool make stations that can run."""
    text = (PLANT / "template.toml").read_text(encoding="utf-8")
    columns = (PLANT / "benches.csv").read_text(encoding="utf-8").split("\n")[0].split(",")
    assert columns.pop() == "address", "which is for collect.py"
    for column in columns:
        assert f"{{{{{column}}}}}" in text
    assert tomllib.loads(text)
