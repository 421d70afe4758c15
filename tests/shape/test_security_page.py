"""The pages that say who could do what, and what records prove, name tests that there are."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]
DEPLOY = TESTS.parent / "deploy"


@pytest.mark.parametrize("page", ["security.md", "evidence.md"])
def test_what_holds_it_is_there(page: str) -> None:
    """Every test and every file of tests that the page names exists under that name."""
    named = set(re.findall(r"`(test_\w+(?:\.py)?)`", (DEPLOY / page).read_text("utf-8")))
    files = {path.name for path in TESTS.rglob("test_*.py")}
    tests = {
        name
        for path in TESTS.rglob("test_*.py")
        for name in re.findall(r"def (test_\w+)", path.read_text("utf-8"))
    }
    assert len(named) > 15
    assert named - files - tests == set()
