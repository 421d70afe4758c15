"""Who may come in, on record: every change, whoever made it, with no secret in it (21 CFR 11.10(e), 11.10(g))."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
from collections.abc import AsyncIterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from gaugepost.core.access import Role, Scope
from gaugepost.core.bench import State
from gaugepost.core.errors import SettingsError
from gaugepost.edge.access import AccessFile, PeopleFile, private, secret
from gaugepost.edge.clock import Clock
from gaugepost.edge.journal import Journal, Reader
from gaugepost.shell.evidence.access import AccessRecords
from gaugepost.shell.growth import Growth
from gaugepost.shell.recorder import Recorder
from tests.bench_tools.daemon import Daemon, Port, station_file

PIN, OTHER = "483920", "739104"


@pytest.fixture(autouse=True)
def _cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hash at little cost: what it costs is held by tests/edge/test_secret.py."""
    monkeypatch.setattr(secret, "_LOG_N", 4)


@contextlib.asynccontextmanager
async def at_work(folder: Path) -> AsyncIterator[AccessRecords]:
    """Lend what looks who may come in, with a real journal behind it."""
    path, clock = folder / "journal.db", Clock()
    with closing(Journal.open(path, "test bench")) as journal, closing(Reader(path)) as reader:
        recorder = Recorder(journal, Growth(journal.sequence), clock, State())
        try:
            yield AccessRecords(PeopleFile(folder), AccessFile(folder), recorder, reader, clock)
        finally:
            await recorder.close()


def told(folder: Path) -> list[tuple[Any, ...]]:
    """Return what is on record: whose entry, what of it, by whom."""
    with closing(Reader(folder)) as reader:
        found = [entry.record for entry in reader.replay()]
    assert not any(each in repr(found) for each in ("scrypt", PIN, OTHER))
    return [(each.person, each.code, each.operator) for each in found]


@pytest.mark.asyncio
async def test_every_change_is_on_record(tmp_path: Path) -> None:
    """Added, another role, name or PIN, revoked; tokens too: who, what and by whom, none of it twice."""
    people, tokens = PeopleFile(tmp_path), AccessFile(tmp_path)
    async with at_work(tmp_path) as records:
        await records.look()
        people.add("M2", Role.OPERATOR, 1000, "M1", pin=PIN)
        await records.look()
        await records.look()
        people.set_role("M2", Role.SETTER, "M1")
        await records.look()
        people.set_name("M2", "Example, Mara", "M1")
        people.set_secret("M2", 2000, "M2", pin=OTHER)
        await records.look()
        people.revoke("M2", 3000, "M1")
        tokens.grant("cell-7", Scope.READ, 1000)
        await records.look()
        tokens.revoke("cell-7", 2000)
        await records.look()
    assert told(tmp_path) == [
        ("M2", "added", "M1"),
        ("M2", "role", "M1"),
        ("M2", "PIN or code and name", "M2"),
        ("M2", "revoked", "M1"),
        ("cell-7", "token granted", "command line"),
        ("cell-7", "token revoked", "command line"),
    ]


@pytest.mark.asyncio
async def test_what_changed_meanwhile_is_found_at_the_start(tmp_path: Path) -> None:
    """What was changed while nothing ran is on record after the next start, and what was already is not again."""
    people = PeopleFile(tmp_path)
    people.add("M1", Role.ADMINISTRATOR, 1000, "command line", pin=PIN)
    async with at_work(tmp_path) as records:
        await records.look()
    people.set_role("M1", Role.SETTER, "command line")
    people.add("M2", Role.OPERATOR, 1000, "command line", pin=PIN)
    async with at_work(tmp_path) as records:
        await records.look()
    line = "command line"
    assert told(tmp_path) == [("M1", "added", line), ("M1", "role", line), ("M2", "added", line)]


@pytest.mark.asyncio
async def test_a_file_that_cannot_be_used_stops_nothing(tmp_path: Path) -> None:
    """A damaged file is said, and looked at again once it is right."""
    (tmp_path / "people.json").touch(0o600)
    async with at_work(tmp_path) as records:
        await records.look()
        (tmp_path / "people.json").unlink()
        PeopleFile(tmp_path).add("M1", Role.ADMINISTRATOR, 1000, "test", pin=PIN)
        await records.look()
    assert told(tmp_path) == [("M1", "added", "test")]


def test_no_change_is_lost_to_another(tmp_path: Path) -> None:
    """Four that change the file at once, each as if it were a program of its own, take none of another's back."""
    PeopleFile(tmp_path).add("M0", Role.ADMINISTRATOR, 1, "test", pin=PIN)

    def add(first: int) -> None:
        for number in range(first, first + 5):
            PeopleFile(tmp_path).add(f"P{number}", Role.OPERATOR, 1, "test", pin=PIN)

    adding = [threading.Thread(target=add, args=(first,)) for first in (0, 5, 10, 15)]
    for each in adding:
        each.start()
    for each in adding:
        each.join()
    assert len(PeopleFile(tmp_path).people()) == 21


def test_who_holds_the_file_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While another program holds the file nothing is changed, and that is said after a while."""
    monkeypatch.setattr(private, "LOCK_S", 0.1)
    people = PeopleFile(tmp_path)
    people.add("M1", Role.ADMINISTRATOR, 1, "test", pin=PIN)
    holding = (
        "import fcntl, sys; file = open(sys.argv[1]); fcntl.flock(file, fcntl.LOCK_EX); print(1, flush=True); "
        "sys.stdin.read()"
    )
    command = [sys.executable, "-c", holding, str(tmp_path / "people.json.lock")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"1\n"
        with pytest.raises(SettingsError, match="another program changes"):
            people.set_role("M1", Role.SETTER, "test")
        other.communicate(b"")
    assert people.set_role("M1", Role.SETTER, "test").role is Role.SETTER
    assert (tmp_path / "people.json.lock").stat().st_mode & 0o777 == 0o600


@pytest.mark.attack
def test_the_command_line_s_changes_are_on_record(tmp_path: Path) -> None:
    """What `gaugepost access` changes beside a running service is in its journal, and what it changed before too."""
    file = tmp_path / "station.toml"
    with Port() as port:
        daemon = Daemon(tmp_path, station_file([port]))
        file.write_text(daemon.station)
        _access(file, "add", "M1", "--role", "administrator", "--name", "Mara Example")
        with daemon:
            (added,) = daemon.wait_for(1, kind="access")
            assert (added["person"], added["code"], added["operator"]) == ("M1", "added", "command line")
            assert added["text"].endswith("name Mara Example")
            _access(file, "role", "M1", "setter")
            (changed,) = daemon.wait_for(1, kind="access", after=added["sequence"])
            assert (changed["person"], changed["code"]) == ("M1", "role")


def _access(file: Path, *words: str) -> None:
    command = [sys.executable, "-m", "gaugepost", "access", *words, "--station", str(file)]
    subprocess.run(command, input=f"{PIN}\n", text=True, check=True, capture_output=True)
