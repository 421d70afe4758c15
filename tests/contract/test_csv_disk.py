"""CSV files on real disks and in people's hands: torn, full, edited, sorted, replaced, deleted, held open."""

from __future__ import annotations

import asyncio
import os
import resource
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from gaugepost.contract import Outcome, Unreachable
from gaugepost.contract.kit.destinations import EPOCH, samples
from gaugepost_adapters.destinations import csv_append
from tests.contract.csv_bench import deliver, every_id, files, opened, rows, sequences

FORMS: list[dict[str, Any]] = [
    {},
    {"byte_order_mark": True, "delimiter": ";", "decimal_sign": ",", "line_end": "\n"},
    {"columns": ["lot", "id", "sequence"]},
    {"columns": ["sequence", "text", "lot", "id"]},
]


@pytest.mark.asyncio
@pytest.mark.parametrize("settings", FORMS)
async def test_a_row_torn_anywhere_is_written_whole(tmp_path: Path, settings: dict[str, Any]) -> None:
    """Cut at every byte of the last row, the file is whole again after the same batch: each row once, in order."""
    file = tmp_path / "csv" / "records.csv"
    batch = samples(1, 5)
    await deliver(tmp_path, batch, **settings)
    whole = file.read_bytes()
    last = whole.rstrip(b"\r\n").rfind(b"\n") + 1
    for cut in range(last, len(whole) + 1):
        file.write_bytes(whole[:cut])
        assert await deliver(tmp_path, batch[2:], **settings) == Outcome(5)
        assert file.read_bytes() == whole


@pytest.mark.attack
@pytest.mark.asyncio
@pytest.mark.parametrize("settings", FORMS)
async def test_a_header_torn_anywhere_is_written_whole(tmp_path: Path, settings: dict[str, Any]) -> None:
    """Cut at every byte of the header, the file is begun again, and no second one beside it."""
    file = tmp_path / "csv" / "records.csv"
    await deliver(tmp_path, samples(1, 2), **settings)
    whole = file.read_bytes()
    for cut in range(whole.index(b"\n") + 1):
        file.write_bytes(whole[:cut])
        await deliver(tmp_path, samples(1, 2), **settings)
        assert file.read_bytes() == whole
    assert files(tmp_path) == [file]


@pytest.mark.asyncio
async def test_a_disk_that_fills_within_a_row_leaves_none_behind(tmp_path: Path) -> None:
    """Wherever in the batch the disk is full, no torn row stays visible, and all is there when there is room again."""
    file = tmp_path / "csv" / "records.csv"
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    await deliver(tmp_path, samples(1, 10), path="elsewhere")
    whole = (tmp_path / "elsewhere" / "records.csv").read_bytes()
    async with opened(tmp_path) as destination:
        await destination.deliver(samples(1, 5), "a")
        size = file.stat().st_size
        for limit in (size, size + 1, (size + len(whole)) // 2, len(whole) - 1):
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, before[1]))
            try:
                with pytest.raises(Unreachable, match="nothing is lost"):
                    await destination.deliver(samples(6, 5), "b")
            finally:
                resource.setrlimit(resource.RLIMIT_FSIZE, before)
            assert sequences(file) == [1, 2, 3, 4, 5]
        await destination.deliver(samples(6, 5), "b")
    assert file.read_bytes() == whole


@pytest.mark.asyncio
async def test_a_full_disk_says_so(tmp_path: Path) -> None:
    """ENOSPC (from the kernel's own always-full device) is unreachable, with what to do."""
    (tmp_path / "csv").mkdir()
    (tmp_path / "csv" / "records.csv").symlink_to("/dev/full")
    with pytest.raises(Unreachable, match=r"No space left on device; free space"):
        await deliver(tmp_path, samples(1, 1))


@pytest.mark.asyncio
async def test_one_locked_file_of_many_keeps_what_is_before_it(tmp_path: Path) -> None:
    """Where one lot's file fails, the outcome is the last record before its first; later nothing is doubled."""
    async with opened(tmp_path, file_by="characteristic") as destination:
        blocked = tmp_path / "csv" / "d0.csv"  # every third record, the first of them with sequence 3
        blocked.mkdir()
        assert await destination.deliver(samples(1, 9), "a") == Outcome(2)
        with pytest.raises(Unreachable, match=r"d0\.csv"):
            await destination.deliver(samples(3, 7), "b")
        blocked.rmdir()
        assert await destination.deliver(samples(3, 9), "c") == Outcome(11)
    assert every_id(tmp_path) == [f"{EPOCH}-{n}" for n in range(1, 12)]
    assert all(sequences(path) == sorted(sequences(path)) for path in files(tmp_path))


@pytest.mark.asyncio
async def test_another_process_that_holds_a_record_lock_is_respected(tmp_path: Path) -> None:
    """A POSIX lock, as office programs take, keeps rows back until it is gone."""
    await deliver(tmp_path, samples(1, 2))
    file = tmp_path / "csv" / "records.csv"
    code = (
        "import fcntl, sys\n"
        "file = open(sys.argv[1], 'r+b')\n"
        "fcntl.lockf(file, fcntl.LOCK_EX)\n"
        "print('held', flush=True)\n"
        "input()\n"
    )
    holder = subprocess.Popen(  # noqa: ASYNC220 - the test has nothing else to do meanwhile
        [sys.executable, "-c", code, str(file)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with holder:
        assert holder.stdin
        assert holder.stdout
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(Unreachable, match="close the program"):
            await deliver(tmp_path, samples(3, 2))
        holder.stdin.write("\n")
        holder.stdin.close()
        assert holder.wait(20) == 0
    await deliver(tmp_path, samples(3, 2))
    assert sequences(file) == [1, 2, 3, 4]


@pytest.mark.asyncio
async def test_a_file_saved_by_an_editor_is_followed(tmp_path: Path) -> None:
    """A save that puts a new file in place of the old is noticed; edits stay, and rows go on in the new file."""
    file = tmp_path / "csv" / "records.csv"
    async with opened(tmp_path) as destination:
        await destination.deliver(samples(1, 4), "a")
        edited = file.read_bytes().replace(b"bore-40", b"bore-41", 1)
        (tmp_path / "saved").write_bytes(edited)
        (tmp_path / "saved").rename(file)
        await destination.deliver(samples(5, 2), "b")
    assert file.read_bytes().startswith(edited)
    assert sequences(file) == [1, 2, 3, 4, 5, 6]


@pytest.mark.asyncio
async def test_a_file_replaced_during_the_append_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the save falls between opening and writing, the rows are written again, into the file that has the name."""
    file = tmp_path / "csv" / "records.csv"
    real = csv_append._lock
    saves = 3

    def save_meanwhile(fd: int) -> None:
        nonlocal saves
        if saves:
            saves -= 1
            (tmp_path / "saved").write_bytes(file.read_bytes())
            (tmp_path / "saved").rename(file)
        real(fd)

    async with opened(tmp_path) as destination:
        await destination.deliver(samples(1, 3), "a")
        monkeypatch.setattr(csv_append, "_lock", save_meanwhile)
        assert await destination.deliver(samples(4, 3), "b") == Outcome(6)
    assert saves == 0
    assert sequences(file) == [1, 2, 3, 4, 5, 6]


@pytest.mark.asyncio
async def test_a_deleted_file_is_begun_again(tmp_path: Path) -> None:
    """After a file, or the whole directory, was deleted, rows go on in a new one that has its header."""
    file = tmp_path / "csv" / "records.csv"
    async with opened(tmp_path) as destination:
        await destination.deliver(samples(1, 3), "a")
        file.unlink()
        await destination.deliver(samples(4, 2), "b")
        assert sequences(file) == [4, 5]
        file.unlink()
        file.parent.rmdir()
        await destination.deliver(samples(6, 2), "c")
    assert sequences(file) == [6, 7]


@pytest.mark.asyncio
async def test_rows_that_a_person_removed_stay_away(tmp_path: Path) -> None:
    """Removed rows do not come back, and what follows is appended after what is left."""
    file = tmp_path / "csv" / "records.csv"
    await deliver(tmp_path, samples(1, 6))
    lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(b"".join(lines[:2] + lines[4:]))
    await deliver(tmp_path, samples(1, 8))
    assert sequences(file) == [1, 4, 5, 6, 7, 8]


@pytest.mark.asyncio
async def test_a_sorted_file_is_read_back_rightly(tmp_path: Path) -> None:
    """Sorted the other way round, the last row is not the latest; a repeat still doubles nothing."""
    file = tmp_path / "csv" / "records.csv"
    await deliver(tmp_path, samples(1, 6))
    header, *lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(header + b"".join(reversed(lines)))
    await deliver(tmp_path, samples(4, 5))
    assert sequences(file) == [6, 5, 4, 3, 2, 1, 7, 8]


@pytest.mark.asyncio
@pytest.mark.parametrize("end", [b"", b"\r"])
async def test_a_last_row_saved_without_its_line_end_is_kept(tmp_path: Path, end: bytes) -> None:
    """An editor that drops the last line end, and changes that row, costs no row and glues none together."""
    file = tmp_path / "csv" / "records.csv"
    await deliver(tmp_path, samples(1, 3))
    edited = file.read_bytes().rstrip(b"\r\n")
    edited = edited[: edited.rindex(b",")] + b",edited" + end
    file.write_bytes(edited)
    await deliver(tmp_path, samples(3, 3))
    assert sequences(file) == [1, 2, 3, 4, 5]
    assert rows(file)[2]["hash"] == "edited"


@pytest.mark.asyncio
async def test_another_header_begins_another_file(tmp_path: Path) -> None:
    """Changed columns or a foreign save never mix with today's rows, and what older files hold stays there."""
    first, second, third = (tmp_path / "csv" / f"records{n}.csv" for n in ("", "~2", "~3"))
    await deliver(tmp_path, samples(1, 3))
    before = first.read_bytes()
    short = {"columns": ["id", "sequence", "value"]}
    await deliver(tmp_path, samples(2, 3), **short)
    assert first.read_bytes() == before
    assert sequences(second) == [4]
    # A spreadsheet of another country saves with semicolons and quotes everywhere.
    second.write_bytes(b'"id";"sequence";"value"\r\n"%s-4";"4";"40"\r\n' % EPOCH.encode())
    await deliver(tmp_path, samples(3, 4), **short)
    assert sequences(third) == [5, 6]
    # Back to the first form: the latest file decides, so that rows stay in the order of the files.
    await deliver(tmp_path, samples(5, 3))
    assert sequences(tmp_path / "csv" / "records~4.csv") == [7]


@pytest.mark.asyncio
@pytest.mark.parametrize("save", ["quoted", "no mark"])
async def test_a_save_that_changes_only_quotes_or_the_mark_goes_on(tmp_path: Path, save: str) -> None:
    """Quotes around names and a dropped byte order mark do not make another header."""
    settings: dict[str, Any] = {"columns": ["sequence", "id"], "byte_order_mark": True}
    await deliver(tmp_path, samples(1, 2), **settings)
    file = tmp_path / "csv" / "records.csv"
    data = file.read_bytes()
    if save == "quoted":
        file.write_bytes(
            b'"sequence","id"\r\n"1","%s-1"\r\n"2","%s-2"\r\n' % (EPOCH.encode(), EPOCH.encode())
        )
    else:
        file.write_bytes(data.removeprefix(b"\xef\xbb\xbf"))
    await deliver(tmp_path, samples(1, 3), **settings)
    assert files(tmp_path) == [file]
    assert sequences(file) == [1, 2, 3]


@pytest.mark.asyncio
async def test_another_epoch_goes_on_in_the_same_file(tmp_path: Path) -> None:
    """Records of a restored journal are new ones, whatever sequence they have."""
    await deliver(tmp_path, samples(1, 3))
    other = "6a1c1c42-7c5b-4d0e-8f3a-2f60c1b0a9d3"
    await deliver(tmp_path, [{**r, "id": f"{other}-{r['sequence']}"} for r in samples(1, 2)])
    await deliver(tmp_path, samples(2, 3))
    assert sequences(tmp_path / "csv" / "records.csv") == [1, 2, 3, 1, 2, 4]


@pytest.mark.asyncio
async def test_lost_cursors_double_nothing(tmp_path: Path) -> None:
    """Everything sent again from the beginning, into files by lot, leaves every file byte for byte as it was."""
    await deliver(tmp_path, samples(1, 300), file_by="lot")
    before = {path: path.read_bytes() for path in files(tmp_path)}
    async with opened(tmp_path, file_by="lot") as destination:
        for first in range(1, 300, 50):
            await destination.deliver(samples(first, 50), "again")
    assert {path: path.read_bytes() for path in files(tmp_path)} == before


@pytest.mark.asyncio
async def test_a_stuck_disk_leaves_the_loop_free(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a sync does not come back, the loop turns and another destination delivers."""
    stuck, free = tmp_path / "stuck", tmp_path / "free"
    stuck.mkdir()
    free.mkdir()
    entered, left = os.pipe(), os.pipe()
    real = os.fsync

    def sync(fd: int) -> None:
        if str(stuck) in str(Path(f"/proc/self/fd/{fd}").readlink()):
            os.write(entered[1], b"x")
            os.read(left[0], 1)
        real(fd)

    async with opened(stuck) as one, opened(free) as other:
        await one.deliver(samples(1, 1), "a")
        monkeypatch.setattr(os, "fsync", sync)
        waiting = asyncio.create_task(one.deliver(samples(2, 1), "b"))
        await asyncio.to_thread(os.read, entered[0], 1)
        assert await other.deliver(samples(1, 3), "a") == Outcome(3)
        assert not waiting.done()
        os.write(left[1], b"xxxx")
        assert await waiting == Outcome(2)
    for fd in (*entered, *left):
        os.close(fd)
