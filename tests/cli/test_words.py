"""The command line's own manners: quick help, near misses named, exit codes that mean something."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from gaugepost import __version__, cli
from gaugepost.commands import bench, follow
from gaugepost.core.bench.events import REPORTS
from gaugepost.core.errors import CommandRefused
from gaugepost.core.record import Kind
from gaugepost.core.setup import TAGS
from tests.cli.daemons import gaugepost

HEAVY = ("fastapi", "pydantic", "uvicorn", "starlette", "structlog", "serial", "sqlite3", "asyncio", "cbor2")


def _loaded(*words: str) -> set[str]:
    """Return the top-level packages that answering `words` loads."""
    program = (
        "import sys\nfrom gaugepost.cli import main\ntry:\n    main(sys.argv[1:])\nexcept SystemExit:\n    pass\n"
        "print('\\n'.join({name.partition('.')[0] for name in sys.modules}), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *words], capture_output=True, text=True, timeout=60, check=True
    )
    return set(done.stderr.split())


@pytest.mark.parametrize(
    "words", [["--help"], ["--version"], ["bench", "--help"], ["bench", "master", "--help"]]
)
def test_help_loads_nothing_heavy(words: list[str]) -> None:
    """Help comes at once: what only the service needs is not loaded for it."""
    assert not _loaded(*words) & set(HEAVY)


def test_what_help_is_measured_against_is_heavy() -> None:
    """The list above names what running really loads."""
    assert {"fastapi", "pydantic", "uvicorn", "structlog"} <= _loaded("run", "--help")


def test_top_help_lists_every_command_and_how_to_begin() -> None:
    """Whoever types --help sees each command with its line, and what to type first."""
    done = gaugepost("--help")
    assert done.returncode == 0
    for name in cli.COMMANDS:
        assert f"\n    {name} " in done.stdout
    assert "how to begin" in done.stdout


@pytest.mark.parametrize("name", cli.COMMANDS)
def test_every_command_has_its_help(name: str) -> None:
    """Each command that is listed is there and explains itself."""
    done = gaugepost(name, "--help")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(f"usage: gaugepost {name}")
    assert len(done.stdout.splitlines()) > 5


def test_the_version_is_told() -> None:
    """--version names the version."""
    assert gaugepost("--version").stdout == f"gaugepost {__version__}\n"


def test_the_words_are_the_benchs_own() -> None:
    """What the command line offers, written out so that it loads fast, is what the bench takes and records."""
    assert tuple(REPORTS) == bench.REPORTS
    assert TAGS == bench.TAGS
    assert set(follow.KINDS) <= set(Kind)


def test_a_near_miss_is_named() -> None:
    """A mistyped command is answered with what was probably meant, a strange one with what there is."""
    done = gaugepost("bnech", "show")
    assert (done.returncode, done.stderr) == (2, "gaugepost has no command 'bnech'; did you mean bench?\n")
    assert "there are: run, check" in gaugepost("frobnicate").stderr


def test_no_words_get_the_help() -> None:
    """The bare program shows its help and does not pass for a success."""
    done = gaugepost()
    assert (done.returncode, done.stdout) == (2, "")
    assert "how to begin" in done.stderr
    assert all(f"\n    {name} " in done.stderr for name in cli.COMMANDS)


def test_what_must_be_put_right_is_2(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """An error of ours is its finding and its remedy on stderr, without a traceback, and exit code 2."""

    def refuse(_words: list[str]) -> int:
        raise CommandRefused("the ring is cold", hint="warm it")

    monkeypatch.setattr(cli, "_run", refuse)
    assert cli.main(["limits"]) == 2
    assert capsys.readouterr().err == "the ring is cold\n  warm it\n"


def test_an_interrupt_is_130(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C ends a command with what shells expect."""

    def interrupt(_words: list[str]) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "_run", interrupt)
    assert cli.main(["limits"]) == 130


def test_a_bug_keeps_its_traceback(tmp_path: Path) -> None:
    """What nobody foresaw ends with 1 and a traceback, so that it can be reported."""
    program = "import gaugepost.cli as c\nc._run = lambda words: 1 // 0\nraise SystemExit(c.main(['x']))"
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 1
    assert "ZeroDivisionError" in done.stderr


def test_a_reader_that_had_enough_is_no_error() -> None:
    """`gaugepost schema | head -1` prints no complaint."""
    with subprocess.Popen(
        [sys.executable, "-m", "gaugepost", "schema"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.wait(60) == 141
        assert process.stderr.read() == ""
