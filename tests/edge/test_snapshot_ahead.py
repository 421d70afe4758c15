"""Ahead of an update the new program goes through the journal beside the old one, whose files it leaves alone."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from gaugepost.cli import main
from gaugepost.core.bench import State, follow
from gaugepost.edge.journal import Journal, Reader
from gaugepost.edge.kept import snapshot as room
from gaugepost.edge.kept.snapshot import AHEAD, FILE_NAME, Snapshot
from tests.core.station import Hand, set_up
from tests.edge.test_snapshot import _exact, _full, data as data

Program = Callable[[str], None]


@pytest.fixture
def program(monkeypatch: pytest.MonkeyPatch) -> Program:
    """Let another program go on from here: all that makes it another one are its rules."""
    return lambda rules: monkeypatch.setattr(room, "fingerprint", lambda home: rules)


def _start(data: Path) -> tuple[str, int]:
    """Start as a service does; return why the whole journal was applied, and how many records were."""
    applied = 0

    def counted(*args: Any) -> State:
        nonlocal applied
        applied += 1
        return follow(*args)

    reader = Reader(data)
    try:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(room, "follow", counted)
            snapshot = Snapshot(data, reader)
            state = snapshot.restore(keep=True)
        assert _exact(state) == _exact(_full(reader))
        return snapshot.finding, applied
    finally:
        reader.close()


def _goes_on(data: Path) -> None:
    """Have the service record something, and write its own snapshot of that, as it does at its end."""
    reader = Reader(data)
    journal = Journal.open(data / "journal.db", "test bench")
    snapshot = Snapshot(data, reader)
    state = snapshot.restore()
    (entry,) = reader.latest(1, kinds=["reading"])
    journal.append([entry.record])
    state = snapshot.restore()
    assert snapshot.save(state) == ""
    journal.close()
    reader.close()


def test_the_start_after_an_update_applies_what_came_since(
    data: Path, program: Program, capsys: pytest.CaptureFixture[str]
) -> None:
    """The new program's first start is as short as any, and what the old one needs to go on is not touched."""
    program("old rules")
    assert _start(data)[0].startswith("it is of another version")
    _goes_on(data)
    old = (data / FILE_NAME).read_bytes()
    assert _start(data) == ("", 0)

    program("new rules")
    assert main(["prepare", str(data)]) == 0
    assert capsys.readouterr().out.startswith("prepared 74 records")
    assert (data / FILE_NAME).read_bytes() == old

    program("old rules")
    _goes_on(data)
    assert (data / AHEAD).exists(), "the old program's snapshots leave it where it is"

    program("new rules")
    assert _start(data) == ("", 1)
    _goes_on(data)
    assert not (data / AHEAD).exists(), "spent: the service has written its own since"
    assert _start(data) == ("", 0)


def test_where_the_rules_are_the_same_there_is_nothing_to_prepare(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Most updates change no rule of the bench: the snapshot goes on to be used, whatever the program's version."""
    assert main(["prepare", str(data)]) == 0
    assert capsys.readouterr().out == f"nothing to prepare: {FILE_NAME} fits this program\n"
    assert not (data / AHEAD).exists()


def test_one_that_was_killed_goes_on_from_where_it_came(
    data: Path, program: Program, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is lost is what came since the last half million, as at a start."""
    program("new rules")
    monkeypatch.setattr(room, "ON_THE_WAY", 20)
    applied = 0

    def killed(*args: Any) -> State:
        nonlocal applied
        applied += 1
        if applied == 50:
            raise KeyboardInterrupt
        return follow(*args)

    monkeypatch.setattr(room, "follow", killed)
    assert main(["prepare", str(data)]) == 130
    applied = -1000
    assert main(["prepare", str(data)]) == 0
    reader = Reader(data)
    last, _ = reader.head()
    reader.close()
    assert applied + 1000 == last - 40
    assert f"prepared {last} records" in capsys.readouterr().out


def test_a_damaged_one_costs_only_time(data: Path, program: Program) -> None:
    """It is trusted as little as the other."""
    program("new rules")
    assert main(["prepare", str(data)]) == 0
    whole = (data / AHEAD).read_bytes()
    (data / AHEAD).write_bytes(whole.replace(b"R-1", b"R-2", 1))
    assert (data / AHEAD).read_bytes() != whole
    finding, applied = _start(data)
    assert finding.startswith("it is of another version: rules")
    assert applied > 50


def test_what_keeps_it_from_being_written_is_said(
    data: Path, program: Program, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """No journal, a full disk, records that are missing: exit code 2, a reason, and no file."""
    program("new rules")
    assert main(["prepare", str(data / "elsewhere")]) == 2
    assert "there is no journal" in capsys.readouterr().err
    with monkeypatch.context() as full:
        full.setattr(room, "SPARE_BYTES", 1 << 62)
        assert main(["prepare", str(data)]) == 2
    assert "are free on the disk" in capsys.readouterr().err
    journal = Journal.open(data / "journal.db", "test bench")
    journal._db.execute("DELETE FROM records WHERE sequence = 20")
    journal.close()
    assert main(["prepare", str(data)]) == 2
    assert "records are missing in it" in capsys.readouterr().err
    assert not (data / AHEAD).exists()


def test_it_can_be_read_from_another_place(data: Path, program: Program, tmp_path: Path) -> None:
    """A journal that was copied with it is another one's head or the same: nothing else is asked of the folder."""
    program("new rules")
    assert main(["prepare", str(data)]) == 0
    copy = tmp_path / "copy"
    shutil.copytree(data, copy, ignore=shutil.ignore_patterns("copy"))
    (copy / FILE_NAME).unlink()
    assert _start(copy) == ("", 0)


def test_a_new_station_that_is_updated_at_work_says_whose_rules_it_went_by(
    tmp_path: Path, program: Program
) -> None:
    """Its first snapshot is written with the new program's sources on the disk: it is the old one's all the same."""
    program("old rules")
    journal = Journal.open(tmp_path / "journal.db", "test bench")
    reader = Reader(tmp_path)
    snapshot = Snapshot(tmp_path, reader)
    snapshot.restore(keep=True)
    program("new rules")
    hand = Hand(set_up()).ready()
    journal.append(hand.records)
    assert snapshot.save(hand.state) == ""
    reader.close()
    journal.close()
    assert _start(tmp_path)[0] == "it is of another version: rules old rules, not new rules"
