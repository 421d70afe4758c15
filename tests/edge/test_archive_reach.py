"""How much is moved, where a clock was once years ahead too, and whether the room it leaves goes back to the disk."""

from __future__ import annotations

import shutil
from contextlib import closing, redirect_stderr
from io import StringIO
from pathlib import Path

import pytest

from gaugepost.cli import main
from gaugepost.core.frozen import changed
from gaugepost.edge.journal import Journal, Reader, examine
from tests.bench_tools.journals import entries_of
from tests.edge.test_archive import _gaugepost, data as data, start_of

YEARS_MS = 5 * 365 * 86_400_000


def _ahead(data: Path, first: int, last: int) -> Path:
    """Return the journal of `data` as it is where the clock was years ahead from one record to another."""
    folder = data.with_name("ahead")
    records = [entry.record for entry in entries_of(data)]
    records[first - 1 : last] = [
        changed(each, measured_at=each.measured_at + YEARS_MS) for each in records[first - 1 : last]
    ]
    folder.mkdir()
    with closing(Journal.open(folder / "journal.db", "test bench")) as journal:
        journal.append(records)
    shutil.copy(data / "deliveries.db", folder)
    return folder


def test_what_is_in_the_way_is_named_with_the_way_past_it(data: Path, tmp_path: Path) -> None:
    """By the day nothing is taken that may be later; by a record's number all up to there is, in its order."""
    day, whole = start_of(data, 2), entries_of(data)
    folder = _ahead(data, 10, 30)
    before = examine(folder)
    with closing(Reader(folder)) as reader:
        starts = [each.sequence for each in reader.replay() if each.record.kind == "start"]
    last = starts[2] - 1
    done = _gaugepost("archive", folder, tmp_path / "archives", "--before", day, "--without", "sheet")
    assert done.returncode == 0
    assert "archived 9 records, 1 to 9\n" in done.stdout
    assert "stays    record 10 stays: by its time, 2031-09-2" in done.stdout
    assert f"it came after record {last}, which follows it" in done.stdout
    assert f"--through {last}\n" in done.stdout
    done = _gaugepost("archive", folder, tmp_path / "archives", "--through", last, "--without", "sheet")
    assert f"archived {last - 9} records, 10 to {last}\n" in done.stdout
    assert "stays" not in done.stdout
    now = examine(folder, (before.sequence, before.head))
    assert now.sound
    assert now.count == len(whole) - last + 2, "and what says so, twice"


def test_a_number_beyond_the_journal_is_its_end(data: Path, tmp_path: Path) -> None:
    """What must stay is kept, as with a day."""
    done = _gaugepost("archive", data, tmp_path / "archives", "--through", 10**9)
    assert done.returncode == 0
    assert "stays    record" in done.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--through", "2024-01-01"), "'2024-01-01' is no record's number; write it as 2000000"),
        (("--through", "0"), "'0' is no record's number"),
        ((), "one of the arguments --before --through is required"),
        (("--through", "5", "--before", "2024-01-01"), "not allowed with argument"),
    ],
)
def test_what_is_no_number_is_refused(words: tuple[str, ...], said: str, tmp_path: Path) -> None:
    """A day goes with --before, and one of both is needed."""
    with pytest.raises(SystemExit) as ended, redirect_stderr(StringIO()) as errors:
        main(["archive", str(tmp_path), str(tmp_path), *words])
    assert ended.value.code == 2
    assert said in errors.getvalue()


def test_little_is_not_worth_a_new_file(data: Path, tmp_path: Path) -> None:
    """Where a few records leave a large journal, their room is for those to come; half of it goes back to the disk."""
    whole = (data / "journal.db").stat().st_size
    done = _gaugepost("archive", data, tmp_path / "archives", "--through", 3)
    assert "archived 3 records, 1 to 3\n" in done.stdout
    assert "space    the journal's file stays as large as it is" in done.stdout
    assert (data / "journal.db").stat().st_size >= whole
    done = _gaugepost("archive", data, tmp_path / "archives", "--before", start_of(data, 1))
    assert "space" not in done.stdout
    assert (data / "journal.db").stat().st_size < whole
