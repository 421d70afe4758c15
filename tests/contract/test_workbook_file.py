"""The file of an inspection sheet: open elsewhere, replaced, protected, damaged, on a share. It is never harmed."""

from __future__ import annotations

import asyncio
import re
import shutil
import stat
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from decimal import Decimal
from pathlib import Path

import pytest
from openpyxl import load_workbook
from openpyxl.worksheet.table import Table

from gaugepost.contract import Unreachable
from gaugepost.core.record import Kind
from tests.contract.workbook_bench import deliver, edited, opened, record, sheet, values

pytestmark = pytest.mark.asyncio

HOLD = "import sys; f = open(sys.argv[1], 'r+b'); print(flush=True); input()"
LOCK = "import fcntl, sys; f = open(sys.argv[1], 'rb+'); fcntl.lockf(f, fcntl.LOCK_EX); print(flush=True); input()"


def parts(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as file:
        return {info.filename: file.read(info) for info in file.infolist()}


def repacked(path: Path, edit: Callable[[dict[str, bytes]], None]) -> None:
    """Change the parts of a workbook."""
    held = parts(path)
    edit(held)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
        for name, data in held.items():
            file.writestr(name, data)


@contextmanager
def held(how: str, path: Path) -> Iterator[int]:
    """Have a program hold `path` as `how` says; yield its process id."""
    words = [sys.executable, "-c", how, str(path)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as child:
        assert child.stdout
        child.stdout.readline()
        yield child.pid
        child.communicate(b"\n")


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


async def test_only_cells_change(tmp_path: Path) -> None:
    """Every other part of the file is the same to the byte, in the same order, with the mode that it had."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    repacked(file, lambda held: held.update({"xl/media/unknown.bin": bytes(range(256))}))
    file.chmod(0o640)
    before = parts(file)
    await deliver(tmp_path, record(1))
    after = parts(file)
    assert list(after) == list(before)
    changed = {name for name in before if before[name] != after[name]}
    assert changed == {"xl/workbook.xml", "xl/styles.xml", "xl/worksheets/sheet1.xml"}
    assert stat.S_IMODE(file.stat().st_mode) == 0o640
    assert names(tmp_path) == ["sheet.xlsx", "workbooks"]


@pytest.mark.parametrize(
    ("name", "mark", "content", "who"),
    [
        ("sheet.xlsx", ".~lock.sheet.xlsx#", b",anna,bench-pc,25.11.2026 09:00,file:///;", "by anna on bench-pc"),
        ("sheet.xlsx", "~$sheet.xlsx", b"\x04Anna" + b" " * 50, "by Anna"),
        ("sheet.xlsx", "~$eet.xlsx", b"", "an office program"),
    ],
)  # fmt: skip
async def test_it_waits_while_somebody_has_it_open(
    name: str, mark: str, content: bytes, who: str, tmp_path: Path
) -> None:
    """An office program's mark beside the file holds everything back, and it is said whose it is and what to do."""
    sheet(tmp_path / name)
    (tmp_path / mark).write_bytes(content)
    before = (tmp_path / name).read_bytes()
    async with opened(tmp_path, file=name) as destination:
        with pytest.raises(Unreachable, match=re.escape(who)) as told:
            await destination.deliver([record(1)], "key")
        assert told.value.hint == (
            f"close it there; where nobody has, delete {mark}; nothing is lost, it is filled in later"
        )
        assert (tmp_path / name).read_bytes() == before
        (tmp_path / mark).unlink()
        await destination.deliver([record(1)], "key")
    assert values(tmp_path / name, "C5") == [38.0121]


@pytest.mark.parametrize("how", [HOLD, LOCK])
async def test_it_waits_while_a_program_writes_it(how: str, tmp_path: Path) -> None:
    """A program that has the file open for writing, or locked, is named; nothing is written under it."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    with (
        held(how, file) as process,
        pytest.raises(Unreachable, match=rf"is open in \S+ \(process {process}\)"),
    ):
        await deliver(tmp_path, record(1))
    await deliver(tmp_path, record(1))
    assert values(file, "C5") == [38.0121]


@pytest.mark.parametrize(
    ("part", "named"),
    [
        ("xl/vbaProject.bin", "a macro"),
        ("xl/macrosheets/sheet1.xml", "a macro sheet"),
        ("_xmlsignatures/sig1.xml", "a digital signature"),
        ("xl/revisions/revisionLog1.xml", "the log of a shared workbook"),
    ],
)
async def test_what_it_would_harm_is_named(part: str, named: str, tmp_path: Path) -> None:
    """A file that can't be filled without harm is left as it is, and the part is named with what to do."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    repacked(file, lambda held: held.update({part: b"x"}))
    before = file.read_bytes()
    with pytest.raises(Unreachable, match=named) as told:
        await deliver(tmp_path, record(1))
    assert part in str(told.value)
    assert "save a copy without it" in told.value.hint
    assert file.read_bytes() == before


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "no .xlsx workbook, or damaged"),
        (b"PK\x03\x04 torn", "no .xlsx workbook, or damaged"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "encrypted, or of the old .xls form"),
        (b"Lot;Piece;Bore\n", "no .xlsx workbook, or damaged"),
    ],
)
async def test_a_file_that_is_none_is_said_so(data: bytes, said: str, tmp_path: Path) -> None:
    """A torn, foreign or locked-away file is left alone until a good one is there again."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    async with opened(tmp_path) as destination:
        good = file.read_bytes()
        file.write_bytes(data)
        with pytest.raises(Unreachable, match=said):
            await destination.deliver([record(1)], "key")
        assert file.read_bytes() == data
        file.write_bytes(good)
        await destination.deliver([record(1)], "key")
    assert values(file, "C5") == [38.0121]


async def test_a_torn_part_is_said_so(tmp_path: Path) -> None:
    """A workbook whose sheet is cut off within is refused by name, not filled by guess."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    name = "xl/worksheets/sheet1.xml"
    repacked(file, lambda held: held.update({name: held[name][:400]}))
    with pytest.raises(Unreachable, match=re.escape(f"{name} is damaged")):
        await deliver(tmp_path, record(1))


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"sheet": "Measurd"}, r"there is no sheet 'Measurd'"),
        ({"pieces": "piece"}, r"no name 'piece'"),
        ({"pieces": "B5:B17", "lots": None}, r"bore: value is Measured!C5:C16, 12 by 1 cells"),
        ({"lots": "A5:A15"}, r"lots is Measured!A5:A15, and pieces Measured!B5:B16"),
        ({"cells": {"K1": "lot"}}, "holds a formula, which would be overwritten"),
        ({"cells": {"C5": "lot"}}, "is to show lot in C5 and bore value"),
        ({"cells": {"M3": "lot"}}, "lies in the merged cells M2:N3"),
    ],
)
async def test_cells_that_do_not_fit_are_named(
    settings: dict[str, object], said: str, tmp_path: Path
) -> None:
    """Where the station file and the sheet do not fit each other, the key and the cell are named."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    with closing(load_workbook(file)) as book:
        book["Measured"].merge_cells("M2:N3")
        book.save(file)
    with pytest.raises(Unreachable, match=said) as told:
        await deliver(tmp_path, record(1), **settings)
    assert told.value.hint


async def test_a_sheet_that_was_renamed_is_followed_by_names(tmp_path: Path) -> None:
    """Defined names say where cells are, whatever their sheet is called now."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    with closing(load_workbook(file)) as book:
        book["Measured"].title = "Sheet 1; today's"
        for name, cells in (("bore", "$C$5:$C$16"), ("pieces", "$B$5:$B$16")):
            book.defined_names[name].attr_text = f"'Sheet 1; today''s'!{cells}"
        book.save(file)
    by_name = {"pieces": "pieces", "lots": None, "fill": [{"characteristic": "bore", "value": "bore"}]}
    await deliver(tmp_path, record(1), **by_name)
    assert values(file, "B5:C5") == [1, 38.0121]


async def test_a_protected_sheet_is_filled(tmp_path: Path) -> None:
    """Protection keeps people from typing over cells; it stays on, and cells are filled."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    with closing(load_workbook(file)) as book:
        book["Measured"].protection.set_password("bench")
        book["Measured"].protection.enable()
        book.save(file)
    await deliver(tmp_path, record(1))
    with closing(load_workbook(file)) as book:
        assert book["Measured"]["C5"].value == 38.0121
        assert book["Measured"].protection.sheet


async def test_cells_of_a_table_are_filled(tmp_path: Path) -> None:
    """Rows of a table are cells like others; its header is not."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    with closing(load_workbook(file)) as book:
        book.worksheets[0].add_table(Table(displayName="measured", ref="A4:G16"))
        book.save(file)
    await deliver(tmp_path, record(1))
    assert values(file, "B5:C5") == [1, 38.0121]
    with pytest.raises(Unreachable, match="lies in the header of the table Measured!A4:G4"):
        await deliver(tmp_path, record(2), cells={"C4": "lot"})


async def test_shared_strings_are_read(tmp_path: Path) -> None:
    """Names that a program wrote once for all cells, in runs of several fonts even, are found like others."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    edited(file, B7="P-7", B9="P-9")
    strings = (
        b"<sst xmlns='http://schemas.openxmlformats.org/spreadsheetml/2006/main' count='2' uniqueCount='2'>"
        b"<si><t>P-7</t></si>"
        b"<si><r><t>P</t></r><r><rPr><b/></rPr><t>-9</t></r><rPh sb='0' eb='1'><t>x</t></rPh></si></sst>"
    )

    def edit(held: dict[str, bytes]) -> None:
        for number, name in enumerate((b"P-7", b"P-9")):
            pattern = rb't="inlineStr"><is><t>%s</t></is>' % name
            page = "xl/worksheets/sheet1.xml"
            held[page], count = re.subn(pattern, b't="s"><v>%d</v>' % number, held[page])
            assert count == 1
        related = "xl/_rels/workbook.xml.rels"
        kind = b"http://schemas.openxmlformats.org/officeDocument/2006/relationships/sharedStrings"
        line = b"<Relationship Id='rIdS' Type='%s' Target='sharedStrings.xml'/></Relationships>" % kind
        held[related] = held[related].replace(b"</Relationships>", line)
        kinds = "[Content_Types].xml"
        kind = b"application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
        line = b"<Override PartName='/xl/sharedStrings.xml' ContentType='%s'/></Types>" % kind
        held[kinds] = held[kinds].replace(b"</Types>", line)
        held["xl/sharedStrings.xml"] = strings

    repacked(file, edit)
    await deliver(tmp_path, record(1, piece="P-9"), record(2, piece="P-7"))
    assert values(file, "C5:C9") == [None, None, 38.0121, None, 38.0121]


@pytest.mark.attack
async def test_an_older_version_is_filled_in_again(tmp_path: Path) -> None:
    """Who saves over the file, or puts an old one back, finds it complete again without a further measurement."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    async with opened(tmp_path) as destination:
        await destination.deliver([record(1)], "key")
        sheet(file)
        assert values(file, "C5") == [None]
        async with asyncio.timeout(60):
            while values(file, "C5") != [38.0121]:  # noqa: ASYNC110 - what changes is a file
                await asyncio.sleep(0.1)


async def test_a_file_that_is_gone_is_waited_for(tmp_path: Path) -> None:
    """Renamed away, it is said what is missing; with a new sheet in its place all that stands is there again."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    await deliver(tmp_path, record(1))
    file.rename(tmp_path / "kept.xlsx")
    with pytest.raises(Unreachable, match=r"sheet\.xlsx"):
        await deliver(tmp_path, record(2, piece="2"))
    sheet(file)
    await deliver(tmp_path, record(2, piece="2"))
    assert values(file, "B5:C6") == [1, 38.0121, 2, 38.0121]


async def test_a_folder_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    """A share that is not mounted is not mistaken for an empty folder."""
    sheet(tmp_path / "template.xlsx")
    data = tmp_path / "data"
    data.mkdir()
    share = {"file": str(tmp_path / "share" / "{lot}.xlsx"), "template": str(tmp_path / "template.xlsx")}
    with pytest.raises(Unreachable, match="no such directory"):
        await deliver(data, record(1), **share)
    assert not (tmp_path / "share").exists()


async def test_a_link_stays_one(tmp_path: Path) -> None:
    """A file named by a symbolic link is filled where it is, and the link stays."""
    (tmp_path / "share").mkdir()
    sheet(tmp_path / "share" / "real.xlsx")
    (tmp_path / "sheet.xlsx").symlink_to("share/real.xlsx")
    await deliver(tmp_path, record(1))
    assert (tmp_path / "sheet.xlsx").is_symlink()
    assert values(tmp_path / "share" / "real.xlsx", "C5") == [38.0121]


async def test_a_lost_memory_and_another_file_do_not_mix(tmp_path: Path) -> None:
    """Each file has a memory of its own: under another name a sheet begins with what comes from now on."""
    sheet(tmp_path / "sheet.xlsx")
    await deliver(tmp_path, record(1))
    sheet(tmp_path / "next.xlsx")
    await deliver(tmp_path, record(2, piece="2"), file="next.xlsx")
    assert values(tmp_path / "next.xlsx", "B5:C6") == [2, 38.0121, None, None]
    shutil.rmtree(tmp_path / "workbooks")
    await deliver(tmp_path, record(3, Kind.VOID, replaces=2), file="next.xlsx")
    assert values(tmp_path / "next.xlsx", "B5:C5") == [2, 38.0121]


async def test_two_destinations_can_not_fill_one_file(tmp_path: Path) -> None:
    """They would undo each other's cells: the second one waits and says why, until the first is gone."""
    sheet(tmp_path / "sheet.xlsx")
    async with opened(tmp_path):
        with pytest.raises(Unreachable, match="is filled by another destination of this station"):
            await deliver(tmp_path, record(1))
    await deliver(tmp_path, record(1))
    assert values(tmp_path / "sheet.xlsx", "C5") == [38.0121]


async def test_a_damaged_memory_is_named(tmp_path: Path) -> None:
    """A memory that can't be read is named with what to do; deleted, it begins anew."""
    sheet(tmp_path / "sheet.xlsx")
    await deliver(tmp_path, record(1))
    (memory,) = (tmp_path / "workbooks").glob("*.db")
    memory.write_bytes(b"no database" * 500)
    with pytest.raises(Unreachable, match=re.escape(memory.name)) as told:
        await deliver(tmp_path, record(2, piece="2"))
    assert "may be deleted" in told.value.hint
    memory.unlink()
    await deliver(tmp_path, record(1), record(2, piece="2"))
    assert values(tmp_path / "sheet.xlsx", "B5:C6") == [1, 38.0121, 2, 38.0121]


async def test_rows_say_nothing_wrong_about_their_columns(tmp_path: Path) -> None:
    """Where a row says which columns it uses, and gets cells beyond them, it says so no longer."""
    file, name = tmp_path / "sheet.xlsx", "xl/worksheets/sheet1.xml"
    sheet(file)

    def edit(held: dict[str, bytes]) -> None:
        row = b'<row r="5" spans="2:2"><c r="B5"><v>1</v></c></row><row r="6" spans="1:2"/></sheetData>'
        held[name] = held[name].replace(b"</sheetData>", row)

    repacked(file, edit)
    await deliver(tmp_path, record(1), record(2, piece="2"))
    assert b"spans" not in parts(file)[name]
    assert values(file, "A5:C6") == ["L1", 1, 38.0121, "L1", 2, 38.0121]


async def test_a_number_has_no_more_digits_than_readers_take(tmp_path: Path) -> None:
    """Inches of what was measured in mm have 34 digits; the cell has the nearest binary number, with those it needs."""
    sheet(tmp_path / "sheet.xlsx")
    value = Decimal("38.0121") / Decimal("25.4000000001")
    assert len(str(value)) > 20
    await deliver(tmp_path, record(1, value=value))
    assert values(tmp_path / "sheet.xlsx", "C5") == [float(value)]
    written = re.search(
        rb'r="C5"[^>]*><v>([^<]+)<', parts(tmp_path / "sheet.xlsx")["xl/worksheets/sheet1.xml"]
    )
    assert written
    assert len(written[1]) <= 19
