"""A folder that whoever types may not enter, as the service's own is to most people: said, and no traceback."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from gaugepost.cli import main
from tests.bench_tools.nobody import nobody
from tests.bench_tools.years import fill

COMMANDS = {
    "verify": ["verify", "{closed}"],
    "export": ["export", "{closed}", "--format", "csv"],
    "prepare": ["prepare", "{closed}"],
    "backup": ["backup", "{closed}", "{open}/b.db"],
    "backup into it": ["backup", "{open}/data", "{closed}/b.db"],
    "restore": ["restore", "{closed}/b.db", "{open}/new"],
    "restore into it": ["restore", "{open}/data", "{closed}/new"],
    "salvage": ["salvage", "{closed}", "{open}/new"],
    "salvage into it": ["salvage", "{open}/data", "{closed}/new"],
    "archive": ["archive", "{closed}", "{open}/archives", "--through", "5"],
}


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    """A folder that anybody may use, with a journal, and a folder in it that nobody may enter but root."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o777)
        for below in ("data", "closed"):
            (Path(name) / below).mkdir()
            fill(Path(name) / below / "journal.db", 20)
        for path in (Path(name) / "data").iterdir():
            path.chmod(0o666)
        (Path(name) / "closed.db").touch(0o000)
        (Path(name) / "closed").chmod(0o000)
        yield Path(name)
        (Path(name) / "closed").chmod(0o700)


@pytest.mark.parametrize("words", COMMANDS.values(), ids=COMMANDS)
def test_it_is_said_that_it_may_not_be_entered(
    words: list[str], folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The folder is named, and as whom to do it instead."""
    main([words[0], "nowhere", *words[2:]])  # what is imported is, before nobody may read it
    capsys.readouterr()
    with nobody():
        code = main([word.format(closed=folder / "closed", open=folder) for word in words])
    told = capsys.readouterr().err
    assert code == 2
    assert str(folder / "closed") in told
    assert "ermission" in told or "rights" in told


def test_a_backup_that_may_not_be_read_is_named(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It is the backup that is closed, and not the folder that it is restored into."""
    main(["restore", "nowhere", str(folder / "new")])
    capsys.readouterr()
    with nobody():
        assert main(["restore", str(folder / "closed.db"), str(folder / "new")]) == 2
    assert f"can't read {folder}/closed.db: Permission denied" in capsys.readouterr().err
