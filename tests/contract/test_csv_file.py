"""CSV files: read back by Python's csv module, as an outside reader, after everything people and disks do to them."""

from __future__ import annotations

import csv
import fcntl
import io
import os
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import fields
from decimal import Decimal
from pathlib import Path
from typing import Any, get_type_hints

import pytest
from hypothesis import given, strategies as st
from pydantic import ValidationError

from gaugepost.contract import COLUMNS, Publication, Unreachable
from gaugepost.contract.kit.destinations import CHECKS, EPOCH, LOTS, Check, FarSide, samples
from gaugepost.core.record import Record
from gaugepost_adapters.destinations.csv_file import CsvSettings
from gaugepost_adapters.destinations.csv_rows import NUMBERS, Form, file_name, id_pattern, whole
from tests.bench_tools.nobody import nobody
from tests.contract.csv_bench import deliver, every_id, files, make, rows, sequences


@contextmanager
def full_disk() -> Iterator[None]:
    """No file of this process may grow beyond what it is: writes fail, partly or wholly."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@contextmanager
def held_by_another(path: Path) -> Iterator[None]:
    """Another program has the file open and locked."""
    fd = os.open(path, os.O_RDWR | os.O_CREAT)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX)
        yield
    finally:
        os.close(fd)


@contextmanager
def not_ours(path: Path) -> Iterator[None]:
    """The file may only be read."""
    path.touch()
    path.chmod(0o444)
    try:
        with nobody():
            yield
    finally:
        path.chmod(0o644)


FAULTS = {"full": lambda path: full_disk(), "locked": held_by_another, "read-only": not_ours}


@pytest.mark.asyncio
@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("check", CHECKS)
async def test_it_conforms(check: Check, fault: str, tmp_path: Path) -> None:
    """Every promise of the contract is kept, whether the disk is full, the file locked or its rights are gone."""
    (tmp_path / "csv").mkdir()
    file = tmp_path / "csv" / "records.csv"
    await check(
        FarSide(
            make=lambda: make(tmp_path),
            held=lambda: [row["id"] for row in rows(file)],
            cut_off=lambda: FAULTS[fault](file),
        )
    )


@pytest.mark.asyncio
@pytest.mark.parametrize("file_by", ["day", "lot", "characteristic"])
@pytest.mark.parametrize("check", CHECKS)
async def test_it_conforms_with_many_files(check: Check, file_by: str, tmp_path: Path) -> None:
    """The same with rows spread over several files, on a full disk."""
    await check(
        FarSide(
            make=lambda: make(tmp_path, file_by=file_by),
            held=lambda: every_id(tmp_path),
            cut_off=full_disk,
        )
    )
    assert all(sequences(path) == sorted(sequences(path)) for path in files(tmp_path))


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("delimiter", "decimal_sign", "mark", "end"),
    [(",", ".", False, "\r\n"), (";", ",", True, "\r\n"), ("\t", ",", False, "\n"), (";", ".", True, "\n")],
)
async def test_every_value_comes_back(
    tmp_path: Path, delimiter: str, decimal_sign: str, mark: bool, end: str
) -> None:
    """Numbers come back exactly, text letter by letter but for what is defused, and one line is one row."""
    settings = {
        "delimiter": delimiter, "decimal_sign": decimal_sign, "byte_order_mark": mark, "line_end": end,
    }  # fmt: skip
    batch = samples(1, 60)
    await deliver(tmp_path, batch, **settings)
    file = tmp_path / "csv" / "records.csv"
    data = file.read_bytes()
    assert data.startswith(b"\xef\xbb\xbf") == mark
    assert data.count(end.encode()) == data.count(b"\n") == len(batch) + 1
    found = rows(file, delimiter)
    assert tuple(found[0]) == COLUMNS
    for record, row in zip(batch, found, strict=True):
        for name in COLUMNS:
            value = record.get(name)
            if value is None:
                assert row[name] == ""
            elif name in NUMBERS:
                assert decimal_sign == "." or "." not in row[name]
                assert Decimal(row[name].replace(",", ".")) == Decimal(str(value))
                assert row[name].replace(",", ".") == value
            elif isinstance(value, list):
                assert row[name].split("; ") == value
            else:
                assert row[name].removeprefix("'") == str(value).replace("\n", r"\n")
        # A cell that begins as a formula does is either a number or has been defused.
        for name, text in row.items():
            if text.startswith(("=", "+", "-", "@", "\t", "\r")):
                assert Decimal(text.replace(",", ".") if name in NUMBERS else text).is_finite()


def test_long_and_listed_numbers_stay_numbers() -> None:
    """A deviation in inches, with all its 34 digits and a minus, is a number in either form; so are several."""
    record: Publication = {
        "id": f"{EPOCH}-1", "deviation": "-0.0004921259842519685039370078740157",
        "master_indications_mm": ["-0.002", "39.998"], "text": "-0.5 mm, see note",
    }  # fmt: skip
    columns = ("id", "deviation", "master_indications_mm", "text")
    point = Form(columns, ",", ".", False, "\n").row(record).decode()
    comma = Form(columns, ";", ",", False, "\n").row(record).decode()
    assert next(csv.reader([point]))[1:] == [
        "-0.0004921259842519685039370078740157", "-0.002; 39.998", "'-0.5 mm, see note",
    ]  # fmt: skip
    assert next(csv.reader([comma], delimiter=";"))[1:] == [
        "-0,0004921259842519685039370078740157", "-0,002; 39,998", "'-0.5 mm, see note",
    ]  # fmt: skip


def test_the_columns_of_numbers_are_the_vocabulary_s() -> None:
    """`decimal_sign` applies to every column that the vocabulary calls an exact number, and to the digits shown."""
    hints = get_type_hints(Record)
    exact = {f.name for f in fields(Record) if Decimal in _inside(hints[f.name])}
    assert exact | {"indication"} == NUMBERS


def _inside(hint: Any) -> set[Any]:
    return {hint}.union(*(_inside(part) for part in getattr(hint, "__args__", ())))


@given(st.lists(st.text(), min_size=1, max_size=4), st.sampled_from([",", ";", "\t"]))
def test_any_text_is_one_row_with_its_cells(texts: list[str], delimiter: str) -> None:
    """Whatever is in the cells, a row is one line, an outside reader finds every cell, and its id is found again."""
    form = Form(("lot", "text", "id", "operator"), delimiter, ".", False, "\r\n")
    names = dict(zip(("lot", "text", "operator"), texts, strict=False))
    line = form.row({**names, "id": f"{EPOCH}-17"})
    assert line.count(b"\n") == 1
    assert line.endswith(b"\r\n")
    (cells,) = csv.reader(io.StringIO(line.decode(), newline=""), delimiter=delimiter, strict=True)
    assert len(cells) == 4
    match = id_pattern(form.columns, delimiter, EPOCH).match(line)
    assert match
    assert match[1] == b"17"
    assert whole(line[:-2], 4, delimiter)
    assert not whole(line[:-2], 5, delimiter)


@given(st.text(max_size=300))
def test_no_name_leaves_its_directory(text: str) -> None:
    """Whatever a lot is called, its file's name is one plain, visible part of a path and short enough to exist."""
    name = file_name(text, "no-lot")
    assert name
    assert "/" not in name
    assert "\0" not in name
    assert not name.startswith(".")
    assert name.isascii()
    assert len(name) <= 100
    assert name == name.lower()
    assert (Path("csv") / f"{name}.csv").parent == Path("csv")


@given(st.text(max_size=150), st.text(max_size=150))
def test_different_lots_have_different_files(one: str, other: str) -> None:
    """Two lots share a file only when their names differ in nothing but case."""
    if file_name(one, "no-lot") == file_name(other, "no-lot"):
        assert one.casefold() == other.casefold()


def test_names_that_people_give() -> None:
    """What is plain stays readable; what is not is percent-encoded; what is long is cut and still told apart."""
    assert file_name("L-4711 b", "no-lot") == "l-4711 b"
    assert file_name("../../etc/passwd", "no-lot") == "%2e.%2f..%2fetc%2fpasswd"
    assert file_name("..", "no-lot") == "%2e%2e"
    assert file_name("no-lot", "no-lot") == "no%2dlot"
    assert file_name("a~2", "no-lot") == "a%7e2"
    assert file_name("x" * 200, "no-lot") != file_name("x" * 201, "no-lot")


@pytest.mark.asyncio
async def test_days_turn_at_the_station_s_midnight(tmp_path: Path) -> None:
    """23:30 UTC on 30 June is 1 July in Berlin (UTC+2 in summer) and goes into that day's file."""
    (record,) = samples(1, 1)
    await deliver(tmp_path, [{**record, "measured_at": "2026-06-30T23:30:00.000Z"}], file_by="day")
    assert [path.name for path in (tmp_path / "csv").iterdir()] == ["2026-07-01.csv"]


@pytest.mark.asyncio
async def test_a_pattern_says_where_the_name_goes(tmp_path: Path) -> None:
    """A path that ends in ".csv" names the files themselves."""
    await deliver(tmp_path, samples(1, 5), path="charts/bores {lot}.csv", file_by="lot")
    assert {path.name for path in (tmp_path / "charts").iterdir()} == {
        f"bores {file_name(lot, 'no-lot')}.csv" for lot in LOTS
    }


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"columns": ["id", "valeu"]}, "no column 'valeu'"),
        ({"columns": ["id", "id"]}, "'id' is there twice"),
        ({"columns": ["sequence"]}, 'add "id"'),
        ({"decimal_sign": ","}, 'write delimiter = ";"'),
        ({"path": "a-{lot}.csv", "file_by": "day"}, 'write it once, as "bores-{day}.csv"'),
        ({"path": "a.csv", "file_by": "day"}, "does not say where the name goes"),
        ({"path": "a-{day}.csv"}, 'file_by is "one"'),
        ({"path": "{day}/a", "file_by": "day"}, "placeholder outside"),
        ({"path": ""}, "no directory or file"),
        ({"delimiter": "|"}, "delimiter"),
    ],
)
def test_settings_that_cannot_work_say_what_to_write(settings: dict[str, Any], words: str) -> None:
    """What can't work is found offline, with what to write instead."""
    with pytest.raises(ValidationError, match=words.replace("{", r"\{")):
        CsvSettings(**settings)


@pytest.mark.asyncio
async def test_a_directory_elsewhere_is_not_made(tmp_path: Path) -> None:
    """A share that is not mounted is unreachable; nothing is written to the empty place where it should be."""
    share = tmp_path / "share"
    data = tmp_path / "data"
    data.mkdir()
    with pytest.raises(Unreachable, match="mount the share"):
        await deliver(data, samples(1, 1), path=str(share / "csv"))
    assert not share.exists()
    (share / "csv").mkdir(parents=True)
    await deliver(data, samples(1, 1), path=str(share / "csv"))
    assert sequences(share / "csv" / "records.csv") == [1]
