"""A snapshot gives the state that the journal leads to, or it is not used; nothing hangs on it but time."""

from __future__ import annotations

import hashlib
import json
import resource
import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings, strategies as st
from hypothesis.stateful import invariant, rule

from gaugepost.core.bench import State, apply, events as ev, follow
from gaugepost.core.setup import to_plain
from gaugepost.edge.journal import Journal, Reader
from gaugepost.edge.kept import snapshot as room
from gaugepost.edge.kept.snapshot import AT_LATEST, EVERY, FILE_NAME, Snapshot
from tests.core.station import Hand, set_up
from tests.core.test_bench_replay import Bench


def _exact(state: State) -> Any:
    """The state to the last zero of a number, which equality does not see."""
    return to_plain(state)


def _full(reader: Reader) -> State:
    state = State()
    for entry in reader.replay():
        state = apply(state, entry.record)
    return state


class Kept(Bench):
    """The bench of every event in any order, with a journal on disk and snapshots now and then."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.journal = Journal.open(self.folder / "journal.db", "test bench")
        self.reader = Reader(self.folder)
        self.snapshot = Snapshot(self.folder, self.reader)
        self.snapshot.restore()
        self.written = 0
        self.saved = False

    @rule()
    def save(self) -> None:
        self._write()
        assert self.snapshot.save(self.hand.state) == ""
        self.saved = True

    @invariant()
    def replayed_is_lived(self) -> None:
        """Held by the test of the bench itself."""

    def teardown(self) -> None:
        try:
            self._write()
            again = Snapshot(self.folder, self.reader)
            state = again.restore()
            assert again.finding == ("" if self.saved else "there is none")
            assert state == self.hand.state
            assert _exact(state) == _exact(self.hand.state)
        finally:
            self.reader.close()
            self.journal.close()
            shutil.rmtree(self.folder)

    def _write(self) -> None:
        self.journal.append(self.hand.records[self.written :])
        self.written = len(self.hand.records)


TestKept = Kept.TestCase
TestKept.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
"""From whichever moment a snapshot is, with the records since it gives the state that was lived, to the last digit."""


def _piece(hand: Hand, number: int) -> None:
    hand.do(ev.SetTags({"lot": f"L{number // 40}", "piece": f"P{number % 40}"}))
    hand.show(f"38.0{10 + number % 15}")


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with a morning's journal, a snapshot in the middle of it, and some records since."""
    hand = Hand(set_up()).ready()
    journal = Journal.open(tmp_path / "journal.db", "test bench")
    for number in range(30):
        _piece(hand, number)
    journal.append(hand.records)
    reader = Reader(tmp_path)
    snapshot = Snapshot(tmp_path, reader)
    snapshot.restore()
    assert snapshot.save(hand.state) == ""
    hand.records.clear()
    _piece(hand, 7)
    journal.append(hand.records)
    reader.close()
    journal.close()
    return tmp_path


def _restored(folder: Path) -> str:
    """Restore, hold the state against a full replay, and return the finding."""
    reader = Reader(folder)
    try:
        snapshot = Snapshot(folder, reader)
        assert _exact(snapshot.restore()) == _exact(_full(reader))
        return snapshot.finding
    finally:
        reader.close()


def test_a_snapshot_is_used(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a sound snapshot only the records since are applied."""
    applied = []

    def counted(*args: Any) -> State:
        applied.append(args)
        return follow(*args)

    monkeypatch.setattr(room, "follow", counted)
    assert _restored(data) == ""
    assert len(applied) == 2


def test_without_a_snapshot_nothing_is_missing(data: Path) -> None:
    """A snapshot can be deleted at any time; the next start takes longer and writes another."""
    (data / FILE_NAME).unlink()
    assert _restored(data) == "there is none"
    reader = Reader(data)
    snapshot = Snapshot(data, reader)
    assert snapshot.save(snapshot.restore()) == ""
    reader.close()
    assert _restored(data) == ""


def test_a_start_of_years_tells_and_keeps_how_far_it_came(
    data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the daemon applies many records, whoever waits hears of it, and a kill costs what came since the last."""
    (data / FILE_NAME).unlink()
    monkeypatch.setattr(room, "STEP", 5)
    monkeypatch.setattr(room, "ON_THE_WAY", 20)
    told: list[tuple[int, int]] = []

    def heard(sequence: int, last: int) -> None:
        told.append((sequence, last))
        if sequence == 45:
            raise KeyboardInterrupt

    reader = Reader(data)
    last, _ = reader.head()
    with pytest.raises(KeyboardInterrupt):
        Snapshot(data, reader).restore(heard, keep=True)
    assert told == [(sequence, last) for sequence in range(5, 46, 5)]
    told.clear()
    again = Snapshot(data, reader)
    assert _exact(again.restore(lambda *far: told.append(far), keep=True)) == _exact(_full(reader))
    assert (again.finding, told[0]) == ("", (45, last))
    (data / FILE_NAME).unlink()
    Snapshot(data, reader).restore(lambda *far: told.append(far))
    assert told[-1] == (last, last), "and of its end"
    assert not (data / FILE_NAME).exists(), "whoever reads beside a daemon writes nothing"
    reader.close()


def test_a_new_station_has_nothing_to_tell(tmp_path: Path) -> None:
    """An empty journal needs no snapshot, and says nothing about one."""
    Journal.open(tmp_path / "journal.db", "test bench").close()
    assert _restored(tmp_path) == ""


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(chance=st.data())
@pytest.mark.attack
def test_a_damaged_snapshot_is_not_used(data: Path, chance: st.DataObject) -> None:
    """Whatever byte is changed or wherever the file is cut: the journal alone decides, and the start says so."""
    path = data / FILE_NAME
    sound = path.read_bytes()
    at = chance.draw(st.integers(0, len(sound) - 1))
    if chance.draw(st.booleans()):
        path.write_bytes(sound[:at])
    else:
        other = sound[at] ^ chance.draw(st.integers(1, 255))
        path.write_bytes(sound[:at] + bytes([other]) + sound[at + 1 :])
    finding = _restored(data)
    path.write_bytes(sound)
    assert finding == "it is damaged"


def _signed(lines: list[bytes]) -> bytes:
    body = b"".join(line + b"\n" for line in lines)
    return body + hashlib.sha256(body).hexdigest().encode() + b"\n"


def _changed(path: Path, change: Callable[[list[Any]], None]) -> None:
    """Change what a snapshot says, and sign it anew."""
    lines = [json.loads(line) for line in path.read_bytes().splitlines()[:-1]]
    change(lines)
    path.write_bytes(_signed([json.dumps(line).encode() for line in lines]))


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("layout", 1, "another version: layout 1, not 2"),
        ("derivation", 0, "another version: derivation 0"),
        ("rules", "00", "another version: rules 00"),
        ("epoch", "6f1f7d6e-7a0c-4b51-9a55-6b6f2f0e8d11", "another journal"),
        ("hash", "00" * 32, "no such record"),
        ("sequence", 3, "no such record 3"),
        ("sequence", 10**6, "no such record 1000000"),
        ("sequence", 10**30, "in no form"),
        ("sequence", None, "in no form"),
    ],
)
def test_a_snapshot_of_something_else_is_not_used(data: Path, name: str, value: object, words: str) -> None:
    """Another program, another journal, another head of this one: each is told by what differs."""

    def change(lines: list[Any]) -> None:
        lines[0][name] = value

    _changed(data / FILE_NAME, change)
    assert words in _restored(data)


def test_what_was_signed_by_another_hand_is_never_fatal(data: Path) -> None:
    """A file that fits in every number and holds no state is put aside like a damaged one."""
    path = data / FILE_NAME
    header = path.read_bytes().splitlines()[0]
    deep = b"[" * 100_000
    bodies = [
        b"{}",
        b"[]",
        b"7",
        b"x",
        deep,
        b'{"sequence":"x"}',
        b'{"sequence":1,"spare":2}',
        b'{"gauges":[7]}',
    ]
    for body in bodies:
        path.write_bytes(_signed([header, body]))
        assert _restored(data) == "it is in no form of this program's"
    for file in (b"", b"\n", b"shopping list\n", _signed([]), _signed([b"[]", b"{}"]), _signed([header])):
        path.write_bytes(file)
        assert _restored(data) in ("it is damaged", "it is in no form of this program's")
    path.unlink()
    path.mkdir()
    assert "directory" in _restored(data)


def test_counts_of_another_form_are_not_used(data: Path) -> None:
    """Lines of counts are read as strictly as the rest."""

    def change(lines: list[Any]) -> None:
        lines.append([["L1", "P1", "A", None, "many"]])

    _changed(data / FILE_NAME, change)
    assert _restored(data) == "it is in no form of this program's"


def test_a_journal_from_a_backup_is_not_taken_for_the_one_it_was(data: Path, tmp_path: Path) -> None:
    """After an older copy of the journal was put back, the snapshot of the newer one stays out of it, for good."""
    old = tmp_path / "old"
    old.mkdir()
    reader = Reader(data)
    entries = list(reader.replay())
    reader.close()
    shutil.copy(data / "journal.db", old / "journal.db")
    journal = Journal.open(old / "journal.db", "test bench")
    journal._db.execute("DELETE FROM records WHERE sequence > 20")
    journal.close()
    shutil.copy(data / FILE_NAME, old / FILE_NAME)
    assert "no such record" in _restored(old)
    journal = Journal.open(old / "journal.db", "test bench")
    journal.append([entries[at].record for at in (20, 22, 21, *range(23, len(entries)))])
    journal.close()
    assert "no such record" in _restored(old)


def test_a_journal_with_a_gap_gets_no_snapshot(data: Path) -> None:
    """Where records are missing, nothing is kept that would look as if they weren't."""
    journal = Journal.open(data / "journal.db", "test bench")
    journal._db.execute("DELETE FROM records WHERE sequence = 20")
    journal.close()
    (data / FILE_NAME).unlink()
    reader = Reader(data)
    snapshot = Snapshot(data, reader)
    state = snapshot.restore()
    before = snapshot.due_beyond
    assert snapshot.save(state) == ""
    reader.close()
    assert not (data / FILE_NAME).exists()
    assert snapshot.due_beyond > before, "it would be tried again at once, for ever"


def test_one_is_due_after_so_many_records(data: Path) -> None:
    """Seldom enough that a large one costs little, often enough that the records since are applied quickly."""
    reader = Reader(data)
    snapshot = Snapshot(data, reader)
    state = snapshot.restore()
    assert snapshot.due_beyond == state.sequence - 2 + EVERY
    assert snapshot.save(state) == ""
    assert snapshot.due_beyond == state.sequence + EVERY
    for after, beyond in ((200_000, 10_000), (10_000_000, AT_LATEST)):
        snapshot._tried = after
        assert snapshot.due_beyond == after + beyond
    written = (data / FILE_NAME).stat()
    assert snapshot.save(state) == ""
    assert (data / FILE_NAME).stat() == written, "what stands for the same head is not written twice"
    reader.close()


@pytest.fixture
def unlimited() -> Iterator[None]:
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.usefixtures("unlimited")
def test_a_disk_that_takes_none_keeps_the_old_one(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where writing fails or the disk is nearly full, the old snapshot stays and nothing else does."""
    old = (data / FILE_NAME).read_bytes()
    reader = Reader(data)
    snapshot = Snapshot(data, reader)
    state = snapshot.restore()
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (len(old) // 2, hard))
    assert "File too large" in snapshot.save(state)
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    monkeypatch.setattr(room, "SPARE_BYTES", 1 << 62)
    assert "are free on the disk" in snapshot.save(state)
    assert (data / FILE_NAME).read_bytes() == old
    assert {path.name for path in data.iterdir()} == {"journal.db", "journal.db.lock", FILE_NAME} | {
        path.name for path in data.glob("journal.db-*")
    }
    monkeypatch.undo()
    assert snapshot.save(state) == ""
    reader.close()
    assert _restored(data) == ""
