"""Whatever the core calculates or decides has a room of mutants: no new module is forgotten, and none met twice."""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

import pytest

from tests.mutation.__main__ import CORE, ROOMS, SURVIVORS, path_of


def _has_function(file: Path) -> bool:
    tree = ast.parse(file.read_text(encoding="utf-8"))
    return any(isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) for node in ast.walk(tree))


def test_every_file_of_the_core_with_a_function_stands_in_one_room() -> None:
    """A file that no room names is added to one in tests/mutation/__main__.py; one that two name is taken off one."""
    rooms = Counter(
        file for patterns, _ in ROOMS.values() for pattern in patterns for file in CORE.glob(pattern)
    )
    wrong = {
        str(file.relative_to(CORE)): rooms[file]
        for file in CORE.rglob("*.py")
        if rooms[file] != 1 and (rooms[file] or _has_function(file))
    }
    assert wrong == {}


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_names_what_there_is(room: str) -> None:
    """Each pattern fits a file, and each test is there and named once."""
    patterns, tests = ROOMS[room]
    assert [pattern for pattern in patterns if not [*CORE.glob(pattern)]] == []
    assert [test for test in tests if not path_of(test).is_file()] == []
    assert len({*tests}) == len(tests)


@pytest.mark.parametrize("path", sorted(SURVIVORS.iterdir()), ids=lambda path: path.name)
def test_survivors_stand_below_a_reason_each_once(path: Path) -> None:
    """A list is a room's; what no test finds is named once, below why nothing needs to find it."""
    assert path.suffix == ".txt"
    assert path.stem in ROOMS
    lines = path.read_text(encoding="utf-8").splitlines()
    named = [line for line in lines if line.startswith("  ")]
    assert [name for name, count in Counter(named).items() if count > 1] == []
    assert not lines[0].startswith("  ")
    for before, line in zip(lines, [*lines[1:], ""], strict=True):
        if line.startswith("  "):
            assert before, f"{line} has no reason"
        elif before and not before.startswith("  "):
            assert line, f"{before} is the reason of nothing"
