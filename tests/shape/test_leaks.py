"""The watch of conftest.py is awake: each kind of leak fails the test that left it, and a clean test passes."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.shape.tree import ROOT

CASES = {
    "clean": """
        async def test_it(tmp_path):
            await asyncio.to_thread(lambda: (tmp_path / "f").write_text("x"))
            await asyncio.create_task(asyncio.sleep(0))
    """,
    "task gauge-7": """
        async def test_it():
            KEPT.append(asyncio.create_task(asyncio.sleep(3600), name="task gauge-7"))
    """,
    "thread writer-7": """
        async def test_it():
            threading.Thread(target=time.sleep, args=(2,), name="writer-7").start()
    """,
    "kept-7.txt": """
        async def test_it(tmp_path):
            KEPT.append((tmp_path / "kept-7.txt").open("w"))
    """,
}


@pytest.mark.parametrize("leak", CASES)
def test_what_outlives_a_test_fails_it_by_name(leak: str, tmp_path: Path) -> None:
    """A leak is reported against its own test, with the name of what was left."""
    conftest = (ROOT / "tests" / "conftest.py").read_text()
    assert "\nGRACE_S = 3.0\n" in conftest
    (tmp_path / "conftest.py").write_text(conftest.replace("\nGRACE_S = 3.0\n", "\nGRACE_S = 0.1\n"))
    (tmp_path / "pytest.ini").write_text(
        "[pytest]\nasyncio_mode = auto\nasyncio_default_fixture_loop_scope = function\n"
    )
    lines = [line[8:] for line in CASES[leak].splitlines()]
    (tmp_path / "test_it.py").write_text(
        "\n".join(["import asyncio, threading, time", "KEPT = []", *lines, ""])
    )
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider"],
        cwd=tmp_path,
        env={key: value for key, value in os.environ.items() if not key.startswith("PYTEST_")},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    if leak == "clean":
        assert done.returncode == 0, done.stdout
    else:
        assert "left behind: " in done.stdout, done.stdout
        assert leak in done.stdout
        assert "1 passed, 1 error" in done.stdout
