"""`gaugepost workbook`: the sheet it makes is filled and opened as it is; what is in the way of one is named."""

from __future__ import annotations

import json
import os
import re
import resource
import sys
import tempfile
import tomllib
from contextlib import closing
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from gaugepost.cli import main
from gaugepost.contract import StationFacts
from gaugepost.edge.stationfile import read_station
from gaugepost_adapters.destinations.workbook.destination import Workbook
from gaugepost_adapters.destinations.workbook.settings import WorkbookSettings
from tests.bench_tools.nobody import nobody
from tests.bench_tools.office import Office
from tests.contract.workbook_bench import BERLIN, record

STATION = """\
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
check_limit = "2 µm"
[masters.ring-38]
size = "38.0012 mm"
[characteristics.bush-bore]
feature = "bore"
limits = "38 H7"
gauges = ["bore-38"]
positions = ["top", "0°"]
[characteristics.relief]
feature = "bore"
lower = "1.4970 in"
unit = "in"
gauges = ["bore-38"]
readings = 2
combine = "mean"
"""


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a station file in it, where the commands are typed."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "station.toml").write_text(STATION, encoding="utf-8")
    return tmp_path


def new(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> str:
    """Make a sheet as a person does, with its lines in the station file; return what was printed."""
    assert main(["workbook", "new", "station.toml", *words]) == code
    told = capsys.readouterr()
    with Path("station.toml").open("a", encoding="utf-8") as file:
        file.write(told.out)
    return told.out or told.err


def measured() -> list[Any]:
    """A lot as the bench would publish it: in and out of limits at two places, and a mean in inches."""
    bush: dict[str, Any] = {"characteristic": "bush-bore", "operator": "M2"}
    over: dict[str, Any] = {"value": Decimal("38.0263"), "verdict": "oversize", "decision": "reject"}
    under: dict[str, Any] = {"value": Decimal("37.9991"), "verdict": "undersize", "decision": "reject"}
    relief: dict[str, Any] = {
        "characteristic": "relief", "unit": "in", "value": Decimal("38.03") / Decimal("25.4"),
        "lower": Decimal("1.4970"), "upper": None, "operator": "M2",
    }  # fmt: skip
    return [
        record(1, position="top", **bush),
        record(2, position="0°", **bush),
        record(3, position="top", piece="2", **bush | over),
        record(4, position="0°", piece="2", **bush),
        record(5, position="top", piece="=3", **bush),
        record(6, position="0°", piece="=3", **bush | under),
        record(7, **relief),
    ]


async def fill(folder: Path) -> WorkbookSettings:
    """Fill the sheet that the station file names; nothing of it may be refused."""
    table = tomllib.loads((folder / "station.toml").read_text(encoding="utf-8"))["destinations"]
    settings = WorkbookSettings(**{k: v for k, v in table["inspection-sheet"].items() if k != "kind"})
    destination = Workbook(settings, StationFacts("bush-bench", BERLIN, folder / "data"))
    (folder / "data").mkdir(exist_ok=True)
    await destination.open()
    try:
        outcome = await destination.deliver(measured(), "key")
    finally:
        await destination.close()
    assert (outcome.through, list(outcome.refused)) == (7, [])
    return settings


@pytest.mark.attack
@pytest.mark.asyncio
@pytest.mark.parametrize("across", [False, True], ids=["down", "across"])
async def test_a_new_sheet_is_filled_as_it_is(
    bench: Path, across: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """Made, pasted, checked and filled without an edit; a spreadsheet program shows it, signs and charts included."""
    new(capsys, "bush.xlsx", "--pieces", "6", *(["--across"] if across else []))
    assert main(["workbook", "check", "station.toml"]) == 0
    assert "nothing is in the way" in capsys.readouterr().out
    assert main(["check", "station.toml"]) == 0
    assert "destinations" not in capsys.readouterr().out.partition("station bush-bench")[0]
    await fill(bench)
    office = Office(bench)
    rows = office.rows(bench / "bush.xlsx")
    table = [list(column) for column in zip(*rows[5:], strict=True)] if across else rows[5:]
    assert [row[:9] for row in table[7:10]] == [
        ["L1", "1", "38.012", "38.012", "in-limits", "accept", "1.4972", "in-limits", "accept"],
        ["L1", "2", "38.026", "38.012", "oversize", "reject", "", "", ""],
        ["L1", "=3", "38.012", "37.999", "undersize", "reject", "", "", ""],
    ]
    assert [row[2] for row in table[:6]] == [
        "bush-bore", "bore, mm", "38.025", "38.000", "38.000", "as on the drawing",
    ]  # fmt: skip
    assert (rows[1][1], rows[2][1]) == ("L1", "M2")
    with closing(load_workbook(office.saved(bench / "bush.xlsx"), data_only=True)) as book:
        charts = book["Charts"]._charts  # type: ignore[attr-defined]  # the library has no public name for them
        assert [len(chart.series) for chart in charts] == [4, 2], "each place, and the limits that there are"
        assert [cell.value for cell in book["Chart limits"][3]][:2] == [38.025, 38.0]
        rules = [rule for cells in book["Inspection"].conditional_formatting for rule in cells.rules]
        signs = {rule.dxf.numFmt.formatCode.strip('"')[0] for rule in rules}
        assert signs == set("✓✗?!▲▼"), "a sign before each word, so that nobody needs colours"
    with closing(load_workbook(bench / "bush.xlsx")) as book:
        page = book["Inspection"]
        assert page.print_area
        assert page.page_setup.orientation == "landscape"
        assert (page.print_title_cols if across else page.print_title_rows) is not None
        assert {"pieces", "lots", "bush_bore_value", "relief_lower"} <= set(book.defined_names)


@pytest.mark.asyncio
async def test_a_template_is_made_into_each_lots_workbook(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With --by-lot the printed lines have every lot filled into a copy, and the template stays empty."""
    (bench / "data").mkdir()
    new(capsys, "data/bush.xlsx", "--by-lot", "--show", "value", "--show", "operator")
    settings = await fill(bench)
    assert (settings.template, settings.file) == ("bush.xlsx", "bush-{lot}.xlsx")
    with closing(load_workbook(bench / "data" / "bush-l1.xlsx")) as book:
        page = book["Inspection"]
        assert [cell.value for cell in page[13][:5]] == [1, 38.0121, 38.0121, "M2", "M2"]
    with closing(load_workbook(bench / "data" / "bush.xlsx")) as book:
        assert book["Inspection"]["A13"].value is None


@pytest.mark.attack
@pytest.mark.parametrize("paper", [(), ("--letter",)])
def test_no_chart_is_cut_by_a_page(
    paper: tuple[str, ...], bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Seven charts take three pages, as a spreadsheet program prints them: one that was cut would take another."""
    more = "".join(
        f'[characteristics.c{number}]\nfeature = "bore"\nlimits = "38 H7"\ngauges = ["bore-38"]\n'
        for number in range(5)
    )
    Path("station.toml").write_text(STATION + more)
    assert main(["workbook", "new", "station.toml", "sheet.xlsx", *paper]) == 0
    capsys.readouterr()
    printed = Office(bench).saved(Path("sheet.xlsx"), "pdf").read_bytes()
    assert (
        len(re.findall(rb"/Type */Page\b", printed)) == 1 + 3 + 1
    )  # the sheet, the charts, what their lines are


def test_cells_that_are_moved_are_still_filled(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The printed lines use defined names, so that the sheet may be rearranged."""
    text = new(capsys, "bush.xlsx")
    settings = tomllib.loads(text)["destinations"]["inspection-sheet"]
    named = [value for fill in settings["fill"] for value in fill.values() if isinstance(value, str)]
    with closing(load_workbook(bench / "bush.xlsx")) as book:
        known = set(book.defined_names)
    assert {settings["pieces"], settings["lots"], *settings["cells"]} <= known
    assert {name for name in named if name not in ("bush-bore", "relief")} <= known


@pytest.mark.parametrize(
    ("words", "finding", "hint"),
    [
        (["bush.xls"], "bush.xls is no .xlsx file", "write bush.xlsx"),
        (["nowhere/bush.xlsx"], "can't be made", "a folder that is there"),
        (["station.xlsx"], "there is a file station.xlsx already", "write another name"),
        (["b.xlsx", "--show", "size"], "no cell can show 'size'", "there are: value, deviation"),
        (["b.xlsx", "--characteristic", "bush"], "no characteristic 'bush'", "there are: bush-bore, relief"),
        (["b.xlsx", "--pieces", "0"], "0 pieces can't be", "--pieces 1 to 1000"),
    ],
)
def test_what_can_not_be_made_is_said(
    bench: Path, words: list[str], finding: str, hint: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A mistake is answered with what to write instead, and no file is touched or left."""
    (bench / "station.xlsx").write_bytes(b"mine")
    told = new(capsys, *words, code=2)
    assert finding in told
    assert hint in told
    assert sorted(path.name for path in bench.iterdir()) == ["station.toml", "station.xlsx"]
    assert (bench / "station.xlsx").read_bytes() == b"mine"


def test_a_sheet_that_the_disk_takes_half_of_is_not_left(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What can't be written whole is said and taken away again, so that the next try meets no file."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (8000, before[1]))  # as a quota: what follows fails
    try:
        told = new(capsys, "bush.xlsx", "--pieces", "1", code=2)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert "bush.xlsx can't be made: File too large" in told
    assert [path.name for path in bench.iterdir()] == ["station.toml"]


def test_a_missing_package_is_named(
    bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without the library that makes workbooks, it is said which to install; nothing else of the station needs it."""
    for name in [name for name in sys.modules if ".workbook.making" in name]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    told = new(capsys, "bush.xlsx", code=2)
    assert told.startswith("making a workbook takes the package openpyxl, which is not installed\n")
    assert "python -m pip install openpyxl" in told
    assert not (bench / "bush.xlsx").exists()


@pytest.mark.parametrize(
    ("written", "instead", "key", "finding"),
    [
        ('characteristic = "bush-bore"', 'characteristic = "bushbore"', "fill[0].characteristic", "no characteristic"),
        ('positions = ["top", "0°"]\nvalue', 'positions = ["top", "9°"]\nvalue', "fill[0].positions", 'at "9°"'),
        ('positions = ["top", "0°"]\nvalue', "value", "fill[0].positions", "is judged at each of its places"),
        ('characteristic = "relief"', 'characteristic = "relief"\nreading = 3', "fill[1].reading", "no reading 3"),
        ('/bush.xlsx"', '/bus.xlsx"', "file", "there is no workbook"),
        ('"bush_bore_value"', '"bush_value"', "fill[0]", "the workbook has no name 'bush_value'"),
        ('"relief_value"', '"B13:B20"', "fill[1]", "8 by 1 cells"),
        ('limits = "38 H7"', 'limits = "38 H8"', "fill[0]", "upper limit 38.025 in C8, 38.039 on the drawing"),
    ],
)  # fmt: skip
def test_check_names_what_is_in_the_way(
    bench: Path, written: str, instead: str, key: str, finding: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What keeps a sheet from being filled is told by `gaugepost check`, with key and line, before anyone measures."""
    new(capsys, "bush.xlsx")
    file = bench / "station.toml"
    text = file.read_text(encoding="utf-8")
    assert text.count(written) == 1
    file.write_text(text.replace(written, instead), encoding="utf-8")
    assert main(["check", "--json", "station.toml"]) == 0
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    (told,) = [one for one in found if one["key"].startswith("destinations.")]
    assert told["key"] == f"destinations.inspection-sheet.{key}"
    assert finding in told["finding"]
    assert told["write"]
    assert told["line"] > STATION.count("\n")
    assert main(["workbook", "check", "station.toml"]) == 1
    assert finding in capsys.readouterr().out
    assert read_station(file).findings == tuple(
        one for one in read_station(file, look=True).findings if not one.key.startswith("destinations.")
    ), "a station that is to run looks at no sheet"


@pytest.mark.asyncio
async def test_a_look_says_what_was_filled_and_what_somebody_typed(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Cells that the station filled count as its own; one that holds something else is named. Nothing is written."""
    new(capsys, "bush.xlsx", "--pieces", "6")
    await fill(bench)
    before = {path: path.read_bytes() for path in (bench / "data" / "workbooks").iterdir()}
    assert main(["workbook", "check", "station.toml"]) == 0
    told = capsys.readouterr().out
    assert "pieces: 6 in Inspection!B13:B18, 3 of them with a name now" in told
    assert "filled in: 26 cells\n" in told
    with closing(load_workbook(bench / "bush.xlsx")) as book:
        book["Inspection"]["C17"] = 38.01
        book["Inspection"]["E13"] = None
        book.save(bench / "bush.xlsx")
    assert main(["workbook", "check", "station.toml", "inspection-sheet"]) == 1
    told = capsys.readouterr().out
    assert "Inspection!C17, for bush-bore value at top, holds '38.01', which was not measured" in told
    assert "1 to be written" in told
    assert {path: path.read_bytes() for path in (bench / "data" / "workbooks").iterdir()} == before


@pytest.mark.parametrize(("closed", "modes"), [("bush.xlsx", (0o444, 0o777)), ("", (0o666, 0o555))])
def test_a_look_says_where_nothing_may_be_written(
    closed: str, modes: tuple[int, int], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sheet or a folder that may only be read is in the way before anything was measured."""
    with tempfile.TemporaryDirectory() as name, monkeypatch.context() as there:  # one that anybody may enter
        there.chdir(name)
        Path("station.toml").write_text(STATION, encoding="utf-8")
        new(capsys, f"{name}/bush.xlsx")
        Path("bush.xlsx").chmod(modes[0])
        Path(name).chmod(modes[1])
        if os.geteuid() == 0:  # who may write anywhere
            assert main(["workbook", "check", "station.toml"]) == 0
        try:
            with nobody():
                assert main(["workbook", "check", "station.toml"]) == 1
        finally:
            Path(name).chmod(0o700)
        told = capsys.readouterr().out
        assert f"in the way: {Path(name, closed)} can't be written: Permission denied" in told
        assert "give the service's user the right to write the file and in its folder" in told


def test_a_station_without_a_sheet_is_told_how_to_get_one(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where there is nothing to look at, the answer is the command that makes it."""
    assert main(["workbook", "check", "station.toml"]) == 2
    assert "gaugepost workbook new station.toml FILE.xlsx" in capsys.readouterr().err


def test_check_names_what_would_undo_a_sheet(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A second destination of one file, and kinds of records that are left out, are told before they do harm."""
    new(capsys, "bush.xlsx")
    file = bench / "station.toml"
    lines = file.read_text(encoding="utf-8").partition("\n[destinations.")[2]
    again = f"[destinations.{lines}".replace("inspection-sheet", "second")
    again = again.replace('kind = "workbook"', 'kind = "workbook"\nkinds = ["reading", "result"]')
    with file.open("a", encoding="utf-8") as open_file:
        open_file.write(again)
    assert main(["check", "--json", "station.toml"]) == 0
    told = {one["key"]: one["finding"] for one in map(json.loads, capsys.readouterr().out.splitlines())}
    assert told["destinations.second.file"] == 'is filled by "inspection-sheet" too, and only one of them can'
    assert told["destinations.second.kinds"].startswith("leaves out amendment, rejudged, void, suspect")
