"""`gaugepost access` for people: on a terminal, from standard input, and what it says to mistakes."""

from __future__ import annotations

import io
import json
import os
import pty
import select
import subprocess
import sys
from pathlib import Path

import pytest

from gaugepost.cli import main
from tests.bench_tools.daemon import START_S, Port, station_file

PIN = "483920"


@pytest.fixture
def station(tmp_path: Path) -> Path:
    """Return a station file."""
    with Port() as port:
        (tmp_path / "station.toml").write_text(station_file([port]))
    return tmp_path / "station.toml"


def access(station: Path, monkeypatch: pytest.MonkeyPatch, *words: str, typed: str = "") -> int:
    """Run `gaugepost access` with `typed` on its standard input, which is no terminal."""
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    return main(["access", *words, "--station", str(station)])


def test_typed_twice_and_never_shown(station: Path) -> None:
    """On a terminal a PIN is asked for twice; it is shown neither while it is typed nor afterwards."""
    command = [sys.executable, "-m", "gaugepost", "access", "add", "M1", "--role", "administrator"]
    leader, follower = pty.openpty()
    process = subprocess.Popen(
        [*command, "--station", str(station)],
        stdin=follower,
        stdout=follower,
        stderr=follower,
        start_new_session=True,
    )
    os.close(follower)
    try:
        shown = _until(leader, b"PIN: ")
        os.write(leader, PIN.encode() + b"\n")
        shown += _until(leader, b"again: ")
        os.write(leader, PIN.encode() + b"\n")
        shown += _until(leader, b"or a token")
        assert process.wait(START_S) == 0
    finally:
        os.close(leader)
        process.kill()
        process.wait()
    assert b"M1 may sign in as administrator" in shown
    assert PIN.encode() not in shown
    assert PIN not in (station.parent / "data" / "people.json").read_text()


def test_people_from_standard_input(
    station: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Added, given another role, listed and revoked; tokens and people have different names."""
    assert access(station, monkeypatch, "add", "M2", typed=f"{PIN}\n") == 0
    assert access(station, monkeypatch, "add", "M3", "--code", typed="badge-7fd01c22\n") == 0
    assert access(station, monkeypatch, "role", "M2", "setter") == 0
    assert access(station, monkeypatch, "grant", "M2") == 2
    assert access(station, monkeypatch, "grant", "cell-7") == 0
    assert access(station, monkeypatch, "add", "cell-7", typed=f"{PIN}\n") == 2
    assert access(station, monkeypatch, "revoke", "M3") == 0
    capsys.readouterr()
    assert access(station, monkeypatch, "list") == 0
    shown = capsys.readouterr().out
    assert [line.split()[:2] for line in shown.splitlines()] == [
        ["M2", "setter"],
        ["M3", "operator"],
        ["cell-7", "token:"],
    ]
    assert access(station, monkeypatch, "list", "--json") == 0
    told = capsys.readouterr().out
    assert [(each["id"], each["counts"]) for each in json.loads(told)["people"]] == [
        ("M2", True),
        ("M3", False),
    ]
    assert "scrypt" not in told


@pytest.mark.parametrize(
    ("words", "typed", "said"),
    [
        (["add", "M2"], "4839\n", "choose 6 to 12 digits"),
        (["add", "M2"], "48392O\n", "choose 6 to 12 digits"),
        (["add", "M2"], "111111\n", "neither equal nor in order"),
        (["add", "M2"], "345678\n", "neither equal nor in order"),
        (["add", "M2"], "", "choose 6 to 12 digits"),
        (["add", "../M2"], f"{PIN}\n", "no person's id"),
        (["add", "M2", "--code"], "1234567\n", "8 to 200 printable"),
        (["role", "M2", "setter"], "", "nobody here is 'M2'"),
        (["pin", "M2"], f"{PIN}\n", "who may sign in: nobody"),
        (["revoke", "M2"], "", "'M2' is nobody who signs in, and no token"),
    ],
)
def test_mistakes(
    words: list[str],
    typed: str,
    said: str,
    station: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A mistake is told with what to do instead, changes nothing, and what was typed is not repeated."""
    assert access(station, monkeypatch, *words, typed=typed) == 2
    told = capsys.readouterr().err
    assert said in told
    assert not typed.strip() or typed.strip() not in told
    assert not (station.parent / "data" / "people.json").exists()


def _until(descriptor: int, words: bytes) -> bytes:
    shown = b""
    while words not in shown:
        assert select.select([descriptor], [], [], START_S)[0], shown
        shown += os.read(descriptor, 1024)
    return shown
