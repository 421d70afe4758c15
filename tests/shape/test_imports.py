"""Who may import whom: the layers by import-linter, the core's purity and the adapters' one window by reading them."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.shape.tree import ADAPTERS, DAEMON, ROOT, name

# fmt: off
IMPURE = frozenset({
    "asyncio", "concurrent", "ctypes", "fcntl", "ftplib", "glob", "http", "io", "locale", "logging",
    "mmap", "multiprocessing", "os", "pathlib", "platform", "pickle", "queue", "random", "resource",
    "secrets", "select", "selectors", "shelve", "shutil", "signal", "site", "smtplib", "socket",
    "socketserver", "sqlite3", "ssl", "subprocess", "syslog", "tempfile", "termios", "threading",
    "time", "timeit", "urllib", "webbrowser", "zoneinfo",
})
# fmt: on
"""Clocks, logs, I/O, chance and the machine: what the core is handed as an argument, or does without."""

IMPURE_NAMES = frozenset({"open", "print", "input", "exec", "eval", "__import__", "breakpoint"})
IMPURE_ATTRIBUTES = frozenset({"now", "utcnow", "today", "uuid1", "uuid4"})
"""Calls of modules the core may import that would still read a clock or roll dice."""

CORE = sorted((DAEMON / "core").rglob("*.py"))
ADAPTER_FILES = sorted(ADAPTERS.rglob("*.py"))


def imported(path: Path) -> Iterator[tuple[int, str]]:
    """Line and full dotted name of everything `path` imports, relative imports resolved."""
    house = DAEMON if path.is_relative_to(DAEMON) else ADAPTERS
    package = path.relative_to(house.parent).parent.parts
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            start = ".".join([*base, *([node.module] if node.module else [])])
            yield from ((node.lineno, f"{start}.{alias.name}") for alias in node.names)


def test_there_is_a_core_to_hold() -> None:
    """The tests below have something to read."""
    assert CORE
    assert ADAPTER_FILES


@pytest.mark.parametrize("path", CORE, ids=name)
def test_core_imports_only_the_standard_library_and_itself(path: Path) -> None:
    """The core can be read, run and trusted with nothing installed."""
    outside = [
        f"line {line}: {module}"
        for line, module in imported(path)
        if module.split(".")[0] not in sys.stdlib_module_names and not module.startswith("gaugepost.core")
    ]
    assert not outside


@pytest.mark.parametrize("path", CORE, ids=name)
def test_core_has_no_clock_log_io_or_chance(path: Path) -> None:
    """The same events always lead the core to the same decisions: whatever could differ is an argument."""
    found = [f"line {line}: {module}" for line, module in imported(path) if module.split(".")[0] in IMPURE]
    for node in ast.walk(ast.parse(path.read_text())):
        if not isinstance(node, ast.Call):
            continue
        match node.func:
            case ast.Name(id=called) if called in IMPURE_NAMES:
                found.append(f"line {node.lineno}: {called}()")
            case ast.Attribute(attr=called) if called in IMPURE_ATTRIBUTES:
                found.append(f"line {node.lineno}: .{called}()")
    assert not found


@pytest.mark.parametrize("path", ADAPTER_FILES, ids=name)
def test_adapters_see_only_the_contract(path: Path) -> None:
    """An adapter of ours has no way into the daemon that a stranger's has not."""
    beyond = [
        f"line {line}: {module}"
        for line, module in imported(path)
        if module.split(".")[0] == "gaugepost" and module.split(".")[1:2] != ["contract"]
    ]
    assert not beyond


def test_imports_point_down() -> None:
    """Every contract that pyproject.toml states for import-linter is kept."""
    linter = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run(
        [linter, "--no-cache"], cwd=ROOT, capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
