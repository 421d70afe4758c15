"""What was taught reaches the disk whole or not at all, and is not lost where the disk does not take it."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from gaugepost.commands.teach.writing import named, write, write_or_ask
from gaugepost.core.errors import SettingsError
from tests.fault.shim import Shim

TEXTS = ("kind = 'x'\n", "what = 'y'\n")
SAMPLES = """
[[sample]]
shows = "12.345 mm"
bytes = "+0012.345\\r"
[[sample]]
shows = "7.891 mm"
bytes = "+0007.891\\r"
[[sample]]
shows = "-3.072 mm"
bytes = "-0003.072\\r"
"""


def names_in(folder: Path) -> list[str]:
    """What stands in a folder, sorted."""
    return sorted(file.name for file in folder.iterdir())


def no_other(why: str) -> str:
    """Give no other name."""
    return ""


def test_both_files_are_written(tmp_path: Path) -> None:
    """Description and capture stand under the name given, with the rights that any new file has, and nothing else."""
    wrote = write_or_ask(str(tmp_path / "bore"), TEXTS, no_other)
    assert [file.name for file in wrote] == ["bore.toml", "bore.capture.toml"]
    assert tuple(file.read_text("utf-8") for file in wrote) == TEXTS
    assert names_in(tmp_path) == ["bore.capture.toml", "bore.toml"]
    plain = tmp_path / "plain"
    plain.touch()
    assert {file.stat().st_mode for file in wrote} == {plain.stat().st_mode}


@pytest.mark.parametrize("there", ["bore.toml", "bore.capture.toml"])
def test_nothing_is_written_over(tmp_path: Path, there: str) -> None:
    """Where one of the two files is there already, even as a link that leads nowhere, neither is touched."""
    (tmp_path / there).symlink_to(tmp_path / "nowhere")
    with pytest.raises(SettingsError, match="is there already"):
        named(str(tmp_path / "bore"))
    with pytest.raises(SettingsError, match="can't be written"):
        write({tmp_path / "bore.capture.toml": "a", tmp_path / "bore.toml": "b"})
    assert names_in(tmp_path) == [there]


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("", "names no file"),
        (".toml", "names no file"),
        (".", "names no file"),
        ("nowhere/bore", "there is no folder"),
        ("b" * 300, "can't be written"),
        ("file/bore", "there is no folder"),
    ],
)
def test_a_name_that_cannot_be_is_told_and_another_is_taken(tmp_path: Path, name: str, said: str) -> None:
    """A name the disk can't have is refused with what to do, and the next one that is given is written."""
    (tmp_path / "file").touch()
    told = list[str]()
    names = iter([str(tmp_path / "bore")])

    def another(why: str) -> str:
        told.append(why)
        return next(names)

    given = f"{tmp_path}/{name}" if len(name) > 5 else name
    write_or_ask(given, TEXTS, another)
    assert len(told) == 1
    assert said in told[0]
    assert "; " in told[0]  # what to do instead
    assert names_in(tmp_path) == ["bore.capture.toml", "bore.toml", "file"]


@contextmanager
def smallest_files() -> Iterator[None]:
    """Let the system refuse every file of more than 1000 bytes."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, ignored)


@pytest.mark.parametrize("long", [0, 1])
def test_half_a_pair_is_never_left(tmp_path: Path, long: int) -> None:
    """Where the disk takes one of the two and not the other, none is there: the same name can be tried again."""
    texts = tuple("#" * 2000 if at == long else "#" for at in range(2))
    with smallest_files(), pytest.raises(SettingsError, match="make room"):
        write_or_ask(str(tmp_path / "bore"), (texts[0], texts[1]), no_other)
    assert names_in(tmp_path) == []
    write_or_ask(str(tmp_path / "bore"), TEXTS, no_other)


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        ("write *bore* errno=ENOSPC", "No space left on device"),
        ("fsync *bore.toml* errno=EIO", "Input/output error"),
        ("fsync */out errno=EDQUOT", "Disk quota exceeded"),
        ("write *bore* errno=EROFS", "Read-only file system"),
    ],
)
def test_what_the_disk_refuses_is_printed_and_not_lost(tmp_path: Path, rule: str, said: str) -> None:
    """Whatever the disk refuses, there is no traceback: what to do is said, and both texts are printed."""
    shim, out = Shim(tmp_path), tmp_path / "out"
    out.mkdir()
    (tmp_path / "samples.toml").write_text(SAMPLES, "utf-8")
    shim.inject([rule])
    done = subprocess.run(
        [sys.executable, "-m", "gaugepost", "teach", "--samples", str(tmp_path / "samples.toml"), "--write", "bore"],
        env={**os.environ, **shim.env()}, cwd=out, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert (done.returncode, "Traceback" in done.stderr) == (2, False), done.stderr
    assert said in done.stderr
    assert "give a name on another" in done.stderr
    assert '\nkind = "delimited_text"\n' in done.stdout
    assert done.stdout.count("[[frame]]") == 3
    assert names_in(out) == []
