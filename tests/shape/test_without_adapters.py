"""The daemon stands alone: an installation without any adapter still starts and can say what is missing."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.shape.tree import DAEMON

# Read by every interpreter at start-up, after the editable installation has put the adapters on the path.
WITHOUT = """
import sys
sys.path = [p for p in sys.path if not p.rstrip("/").endswith("/adapters")]
sys.modules["gaugepost_adapters"] = None
"""


@pytest.fixture
def alone(tmp_path: Path) -> dict[str, str]:
    """An environment in which the daemon is a copy and importing the adapters fails."""
    shutil.copytree(DAEMON, tmp_path / "gaugepost", ignore=shutil.ignore_patterns("__pycache__"))
    (tmp_path / "sitecustomize.py").write_text(WITHOUT)
    return {**os.environ, "PYTHONPATH": str(tmp_path)}


def python(env: dict[str, str], *args: str) -> subprocess.CompletedProcess[str]:
    """Run the interpreter of the tests in `env`, away from the checkout."""
    return subprocess.run(
        [sys.executable, *args],
        env=env,
        cwd=env["PYTHONPATH"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_the_adapters_are_really_absent(alone: dict[str, str]) -> None:
    """The environment of these tests holds a copy of the daemon and no adapters."""
    assert "ModuleNotFoundError" in python(alone, "-c", "import gaugepost_adapters").stderr
    where = python(alone, "-c", "import gaugepost; print(gaugepost.__file__)").stdout
    assert where.startswith(alone["PYTHONPATH"])


def test_every_module_imports_without_adapters(alone: dict[str, str]) -> None:
    """No module of the daemon needs an adapter to be imported."""
    modules = sorted(
        ".".join(path.relative_to(DAEMON.parent).with_suffix("").parts).removesuffix(".__init__")
        for path in DAEMON.rglob("*.py")
        if path.name != "__main__.py"
    )
    done = python(alone, "-c", "".join(f"import {module}\n" for module in modules))
    assert done.returncode == 0, done.stderr


def test_help_works_without_adapters(alone: dict[str, str]) -> None:
    """`gaugepost --help` answers on a machine that has the daemon only."""
    done = python(alone, "-m", "gaugepost", "--help")
    assert done.returncode == 0, done.stderr
    assert "usage" in done.stdout.lower()
