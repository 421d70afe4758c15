"""A drawing's list: whatever is pasted, each row is taken or says why not, at its column, with what to write."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, TypeVar

import pytest
from hypothesis import given, settings, strategies as st

from gaugepost.core.errors import ValueRefused
from gaugepost.edge.drawing_list import Asked, Looked, State, look_over, read_cells
from gaugepost.edge.drawing_list.columns import HEADINGS, key_of
from gaugepost.edge.editing import edited
from gaugepost.edge.stationfile import Finding, StationFileError, read_station
from gaugepost.edge.stationfile.source import parse

T = TypeVar("T")
STATION = """
[station]
name = "pump bench"
time_zone = "UTC"
[links.usb]
kind = "serial_port"
device = "/dev/no-such-port"
[links.usb.decoder]
kind = "delimited_text"
pattern = "{value} {unit}"
units = { mm = "mm" }
[gauges.bore-38]
link = "usb"
contact = "three-point"
display = "absolute"
check_limit = "2 µm"
[masters.ring-38]
size = "38.0012 mm"
[characteristics.pump-bore]
feature = "bore"
limits = "38 H7"
gauges = ["bore-38"]
readings = 2
"""
EXAMPLE = """name;kind;nominal;upper deviation;lower deviation;gauge
inlet-bore;bore;38;+0,025;0;bore-38
seal-seat;bore;62;+0,046;0;bore-38
"""


def found(text: str) -> Iterable[Finding]:
    """Return what is found in a station file that holds `text`."""
    try:
        return read_station(Path("station.toml"), text=text).findings
    except StationFileError as error:
        return error.findings


def looked(text: str, **asked: Any) -> Looked:
    """Return the list `text` looked over for that station."""
    there = parse(STATION.encode(), "").raw["characteristics"]
    return look_over(read_cells(text), there, Asked(**asked), lambda change: found(edited(STATION, change)))


def answered(ask: Callable[[], T]) -> T | None:
    """Return what `ask` does; None where it is refused, which has to say what to do instead."""
    try:
        return ask()
    except ValueRefused as error:
        hint = error.hint
    assert hint
    return None


def told(looked_over: Looked) -> list[tuple[int, int | None, str]]:
    """Return line, column and text of every error."""
    return [
        (row.line, said.column, f"{said.finding}; {said.write}")
        for row in looked_over.rows
        for said in row.said
        if not said.warning
    ]


def test_a_list_is_one_edit() -> None:
    """Good rows become tables whose limits are those of the station file; who asked for it said unit and comma."""
    result = looked(EXAMPLE, unit="mm", decimal_comma=True)
    assert told(result) == []
    assert [row.state for row in result.rows] == [State.NEW, State.NEW]
    assert result.change["characteristics"]["inlet-bore"] == {
        "feature": "bore",
        "nominal": "38 mm",
        "upper_deviation": "+0.025 mm",
        "lower_deviation": "0 mm",
        "gauges": ["bore-38"],
    }
    assert list(found(edited(STATION, result.change))) == []


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_each_separator_is_found(separator: str) -> None:
    """Commas, semicolons and tabs cut cells, with quotes around one that holds the separator, and any line end."""
    rows = [
        ["Name", "LIMITS", "gauges"],
        ["A-1", "38 H7", f"bore-38{separator} bore-38"],
        ["A-2", "1.5 in H8", "bore-38"],
    ]
    for end in ("\n", "\r\n"):
        stream = io.StringIO()
        csv.writer(stream, delimiter=separator, lineterminator=end).writerows(rows)
        for text in (stream.getvalue(), "\ufeff" + stream.getvalue() + end):
            result = looked(text)
            assert [row.table.get("limits") for row in result.rows] == ["38 H7", "1.5 in H8"]
            assert [row.line for row in result.rows] == [2, 3]
            assert result.rows[1].state is State.NEW, result.rows[1].said


def test_every_error_stands_at_its_row_and_column() -> None:
    """With what to write instead, all of a row at once, and good rows beside it are taken."""
    result = looked(
        "name,kind,limits,gauge\n"
        "A 1,bore,38 H7,bore-38\n"
        "A-2,hole,38 h7,bore-39\n"
        "A-3,,30.010..30.034 mm,bore-38\n"
        "A-4,bore,38 H7,bore-38\n"
        "A-4,bore,38 H8,bore-38\n"
        "A-6,bore,30,01 mm,bore-38\n"
        ",bore,,bore-38\n"
    )
    wrong = {(line, column): text for line, column, text in told(result)}
    assert set(wrong) == {
        (2, 0),
        (3, 2),
        (3, 3),
        (4, 1),
        (6, 0),
        (7, None),
        (7, 2),
        (7, 3),
        (8, 0),
        (8, None),
    }
    assert "write A-1" in wrong[2, 0]
    assert "only holes' classes are covered" in wrong[3, 2]
    assert "write bore-38" in wrong[3, 3]
    assert "write bore or shaft" in wrong[4, 1]
    assert "line 5 has this name too" in wrong[6, 0]
    assert "quotes" in wrong[7, None]
    assert "has no limits" in wrong[8, None]
    assert [row.state for row in result.rows].count(State.WRONG) == 6
    assert list(result.change["characteristics"]) == ["A-4"]


@pytest.mark.parametrize(
    ("cell", "unit", "comma", "becomes"),
    [
        ("38.5", "mm", False, "38.5 mm"),
        ("1.5156", "in", False, "1.5156 in"),
        ("38,5", "mm", True, "38.5 mm"),
        ("38.5 mm", "in", False, "38.5 mm"),
        ("1.25 in", "mm", False, "1.25 in"),
        ("38.5", None, False, "38.5"),
    ],
)
def test_a_bare_number_has_the_unit_that_somebody_said(
    cell: str, unit: str | None, comma: bool, becomes: str
) -> None:
    """Never one that is guessed; a unit that is written stays."""
    result = looked(
        f"name;kind;lower limit\nA-1;bore;{cell}\n", unit=unit, decimal_comma=comma, gauges=("bore-38",)
    )
    (row,) = result.rows
    assert row.table["lower"] == becomes
    assert row.wrong == (unit is None), row.said


@pytest.mark.parametrize(
    ("cell", "unit", "becomes"),
    [
        ("1.5 H7", "in", "1.5 in H7"),
        ("ø38 H7", "mm", "ø38 mm H7"),
        ("22 +0.015/-0.006", "mm", "22 +0.015/-0.006 mm"),
        ("30.010..30.034", "in", "30.010..30.034 in"),
        ("62 mm ±0.02", "in", "62 mm ±0.02"),
    ],
)
def test_limits_have_the_unit_too(cell: str, unit: str, becomes: str) -> None:
    """A class or a range without a unit is in the list's."""
    (row,) = looked(f"name,kind,limits\nA-1,bore,{cell}\n", unit=unit, gauges=("bore-38",)).rows
    assert (row.table["limits"], row.wrong) == (becomes, False), row.said


def test_units_are_not_mixed_unsaid() -> None:
    """A deviation without a unit beside a size that has another one is asked for; 0 is 0 in all of them."""
    text = "name;kind;nominal;upper deviation;lower deviation\nA-1;bore;1.25 in;+0.001;0\n"
    (row,) = looked(text, unit="mm", gauges=("bore-38",)).rows
    assert [(said.column, said.write) for said in row.said] == [(3, "write +0.001 in")]
    (row,) = looked(text.replace("+0.001", "+25 µm"), gauges=("bore-38",)).rows
    assert (row.said, row.table["lower_deviation"]) == ([], "0 in")


def test_a_point_is_no_comma() -> None:
    """Where numbers are written with a comma, 1.250 may be a thousand and a quarter: it is refused."""
    (row,) = looked(
        "name;kind;lower limit\nA-1;bore;1.250\n", unit="mm", decimal_comma=True, gauges=("bore-38",)
    ).rows
    assert [(said.column, said.write) for said in row.said] == [(2, "write 1,250")]


def test_what_is_there_is_changed_or_left() -> None:
    """A name that the file has is changed in what the list says: its limits are said one way, the rest stays."""
    same = looked("name,limits,gauge\npump-bore,38 H7,bore-38\n")
    assert (same.rows[0].state, same.change) == (State.SAME, {})
    other = looked("name,nominal,class\npump-bore,38 mm,H8\n", gauges=("bore-38",))
    assert other.rows[0].state is State.CHANGES, other.rows[0].said
    table = parse(edited(STATION, other.change).encode(), "").raw["characteristics"]["pump-bore"]
    assert (table["readings"], table["tolerance_class"], "limits" in table) == (2, "H8", False)


def test_a_column_that_is_not_known_is_told() -> None:
    """It is not taken, which is said with the headings that are known; no row waits for it."""
    result = looked("name,limits,gauge,note,limts\nA-1,38 H7,bore-38,x,y\n")
    assert [(said.column, said.warning) for said in result.said] == [(3, True), (4, True)]
    assert result.said[1].write == "write limits"
    assert result.rows[0].state is State.NEW


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "the list is empty"),
        (" \n;;\n", "the list is empty"),
        ("38 H7\n39 H7\n", "no heading"),
        ("name,limits\n", "no rows"),
        ('name,limits\nA,"38 H7\n', "line 2 can't be cut into cells"),
        ("name,limits\n" + "A,38 H7\n" * 501, "501 rows"),
        ("name" * 200_000, "more than"),
        ("name,limits\nA,\ud800\n", "half a character"),
    ],
)
def test_a_list_that_is_none_is_refused(text: str, says: str) -> None:
    """What can't be read at all is refused as a whole, with what to do."""
    with pytest.raises(ValueRefused, match=says) as refused:
        read_cells(text)
    assert refused.value.hint


def test_headings_that_can_not_be_meant_hold_all_rows() -> None:
    """Without names, without limits or with two columns for one thing no row is taken, and each says so."""
    for text in (
        "limits,gauge\n38 H7,bore-38\n",
        "name,gauge\nA,bore-38\n",
        "name,limits,Limits\nA,38 H7,38 H8\n",
    ):
        result = looked(text, gauges=("bore-38",))
        assert any(not said.warning for said in result.said)
        assert (result.rows[0].wrong, result.change) == (True, {})


def test_every_heading_stands_for_one_key() -> None:
    """In any case, with underscores as the station file writes keys; and no word stands for two."""
    for key, names in HEADINGS.items():
        assert {key_of(name) for name in (key, *names, names[0].upper())} == {key}


CELLS = st.one_of(
    st.sampled_from(
        ["38 H7", "38 h7", "bore", "shaft", "bore-38", "+0.025", "0", "1,5", "=1+1", "@SUM(A1)", "-2+3", "\u202e", "mm",
         "'; DROP TABLE", "<script>", "../..", "A.1", 'a"b', "nul", "\x00", "\x1b[2J", "１", "٣", "9" * 400, "1e9"]
    ),
    st.text(max_size=12),
)  # fmt: skip
HEADING = st.one_of(
    st.sampled_from([name for names in HEADINGS.values() for name in names]), st.text(max_size=8)
)


@settings(max_examples=150, deadline=None)
@given(
    headings=st.lists(HEADING, min_size=1, max_size=6),
    rows=st.lists(st.lists(CELLS, min_size=1, max_size=7), max_size=5),
    separator=st.sampled_from(",;\t"),
    comma=st.booleans(),
    unit=st.sampled_from([None, "mm", "in"]),
)
def test_no_row_is_lost(
    headings: list[str], rows: list[list[str]], separator: str, comma: bool, unit: str | None
) -> None:
    """Whatever is in the cells, each row comes back as it was, taken or with a reason; the file holds what is taken."""
    stream = io.StringIO()
    csv.writer(stream, delimiter=separator).writerows([headings, *rows])
    cells = answered(lambda: read_cells(stream.getvalue()))
    if cells is None:
        return
    result = looked(stream.getvalue(), unit=unit, decimal_comma=comma, gauges=("bore-38",))
    assert [row.cells for row in result.rows] == [each for _, each in cells.rows]
    for row in result.rows:
        assert row.wrong == (row.state is State.WRONG)
        taken = row.name in result.change.get("characteristics", {})
        assert row.wrong or taken or row.state is State.SAME
        assert all(said.finding for said in row.said)
    if result.change:
        assert not [each for each in found(edited(STATION, result.change)) if each.severity.value == "error"]


@settings(max_examples=300, deadline=None)
@given(st.one_of(st.text(max_size=200), st.text(alphabet='name,;\t"\n\r limits38H', max_size=60)))
def test_any_text_is_answered(text: str) -> None:
    """No text gives anything but a list looked over or a refusal that says what to do."""
    answered(lambda: looked(text))
