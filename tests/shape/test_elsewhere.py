"""What works where there is no Unix: README says so, and nothing more."""

from __future__ import annotations

import subprocess
import sys

import pytest

UNIX = ("fcntl", "grp", "pty", "pwd", "resource", "termios", "tty")
"""Modules of the standard library that only Unix has."""
_WITHOUT = f"""
import sys
class Elsewhere:
    def find_spec(self, name, path=None, target=None):
        if name in {UNIX!r}:
            raise ImportError(name)
for name in {UNIX!r}:
    sys.modules.pop(name, None)
sys.meta_path.insert(0, Elsewhere())
from gaugepost.cli import main
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.parametrize(
    "words",
    [
        ["limits", "38 H7"],
        ["schema"],
        ["risk", "38 H7", "--process-mean", "38.012 mm", "--process-spread", "4 µm", "-u", "1 µm"],
    ],
    ids=lambda words: str(words[0]),
)
def test_what_needs_no_bench_needs_no_unix(words: list[str]) -> None:
    """Limits, risks and the station file's schema are worked out without what only Unix has."""
    run = subprocess.run(
        [sys.executable, "-c", _WITHOUT, *words],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    assert run.stdout
