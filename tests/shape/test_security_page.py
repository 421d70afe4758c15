"""The page that says who could do what names tests that there are."""

from __future__ import annotations

import re
from pathlib import Path

TESTS = Path(__file__).parents[1]
PAGE = TESTS.parent / "deploy" / "security.md"


def test_what_holds_it_is_there() -> None:
    """Every test and every file of tests that the page names exists under that name."""
    named = set(re.findall(r"`(test_\w+(?:\.py)?)`", PAGE.read_text("utf-8")))
    files = {path.name for path in TESTS.rglob("test_*.py")}
    tests = {
        name
        for path in TESTS.rglob("test_*.py")
        for name in re.findall(r"def (test_\w+)", path.read_text("utf-8"))
    }
    assert len(named) > 15
    assert named - files - tests == set()
