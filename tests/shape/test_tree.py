"""How the tree is kept: its fixed top, sizes that a reader can hold, and text that is at home on any machine."""

import re
from collections import Counter
from pathlib import Path

import pytest

from tests.shape.tree import ADAPTERS, DAEMON, ROOT, committed, name, sources

TOP = {
    ".ci", ".gitignore", "DEVELOPERS.md", "Makefile", "README.md", "adapters", "daemon", "deploy", "pyproject.toml",
    "tests",
}  # fmt: skip
LINES = 400
FILES = 12


def elsewhere(*parts: str) -> re.Pattern[str]:
    """A pattern whose source does not match itself, since this file is read like any other."""
    return re.compile("".join(parts))


NOT_OURS = [
    # Registries' hosts: what to install is named, where from is for the machine that installs to say.
    elsewhere("py", r"pi\.org"),
    elsewhere(r"files\.python", r"hosted\.org"),
    elsewhere(r"(deb|security|snapshot)\.", r"debian\.org"),
    elsewhere(r"registry\.", r"npmjs\.org"),
    elsewhere("proxy", r"\.golang\.org"),
    elsewhere(r"static\.", r"crates\.io"),
    # Folders of the machine this was written on.
    elsewhere(r"(?<![\w.])/", r"work(?![\w-])"),
    elsewhere(r"(?<![\w.])/", r"root/"),
    elsewhere(r"/home/", r"\w+/"),
    elsewhere(r"(?<![\w.])/opt/", r"(wheels|pypi)"),
    elsewhere(r"venv-", r"house"),
]


def test_top_level_holds_only_its_fixed_entries() -> None:
    """Whoever opens the repository finds the same few doors as ever."""
    assert {path.relative_to(ROOT).parts[0] for path in committed()} <= TOP


@pytest.mark.parametrize("path", sources(), ids=name)
def test_a_file_can_be_read_in_one_sitting(path: Path) -> None:
    """No Python file reaches 400 lines."""
    assert len(path.read_text().splitlines()) < LINES


def test_a_folder_can_be_taken_in_at_a_glance() -> None:
    """No folder of the daemon or the adapters holds more than a dozen Python files beside its __init__.py."""
    held = Counter(
        name(path.parent)
        for path in sources()
        if path.name != "__init__.py" and (path.is_relative_to(DAEMON) or path.is_relative_to(ADAPTERS))
    )
    assert {folder: count for folder, count in held.items() if count > FILES} == {}


def test_committed_text_is_at_home_anywhere() -> None:
    """Nothing committed names a package registry's host or a folder of the machine it was written on."""
    found = []
    for path in committed():
        text = path.read_bytes().decode("utf-8", errors="replace")
        found += [f"{name(path)}: {hit[0]}" for pattern in NOT_OURS for hit in pattern.finditer(text)]
    assert not found


def test_the_pattern_of_a_foreign_folder_finds_one() -> None:
    """The search above would find what it looks for, and leaves words that merely contain it alone."""
    folder = "/" + "work"
    assert any(pattern.search(f"see {folder}/main") for pattern in NOT_OURS)
    assert not any(pattern.search(f"./net{folder}s and tests{folder}piece") for pattern in NOT_OURS)
