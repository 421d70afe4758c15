"""Formulas and their tests ask nothing of Linux: on Windows, as the documents say, the core and some commands work."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.shape.tree import DAEMON

ROOT = DAEMON.parents[1]
ON_LINUX = ("drift", "risk", "trace_rejudging", "uncertainty_monte_carlo")
"""Tests of the core that hold a command at its journal, too, which is locked as Linux does it."""
# Read by every interpreter at start-up: what is on no other system is not here either.
WITHOUT = """
import sys
for name in ("fcntl", "termios", "tty", "pty", "pwd", "grp", "resource", "spwd", "crypt", "syslog", "readline"):
    sys.modules[name] = None
"""


@pytest.fixture
def elsewhere(tmp_path: Path) -> dict[str, str]:
    """An environment in which what only Unix has can't be imported."""
    (tmp_path / "sitecustomize.py").write_text(WITHOUT)
    paths = (tmp_path, ROOT / "daemon", ROOT / "adapters")
    return {**os.environ, "PYTHONPATH": os.pathsep.join(map(str, paths))}


def _run(env: dict[str, str], *words: str) -> str:
    command = [sys.executable, "-m", *words]
    done = subprocess.run(
        command, capture_output=True, text=True, cwd=ROOT, env=env, timeout=300, check=False
    )
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-4000:]
    return done.stdout


def test_every_test_of_the_core_can_be_run_elsewhere(elsewhere: dict[str, str]) -> None:
    """Each of them but a few is found, and some pass, where no module of Unix is."""
    plain = ("pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist")
    without = [f"--ignore=tests/core/test_{name}.py" for name in ON_LINUX]
    found = _run(elsewhere, *plain, "--collect-only", *without, "tests/core")
    assert found.count("::") > 1000
    _run(elsewhere, *plain, "tests/core/test_iso286.py")


@pytest.mark.parametrize(
    "words",
    [
        ("limits", "38 H7"),
        ("risk", "38 H7", "--process-mean", "38.012 mm", "--process-spread", "4 µm", "-u", "1 µm"),
        ("schema",),
    ],
    ids=lambda words: str(words[0]),
)
def test_the_commands_that_the_documents_name(words: tuple[str, ...], elsewhere: dict[str, str]) -> None:
    """They answer where no module of Unix is."""
    assert _run(elsewhere, "gaugepost", *words)
