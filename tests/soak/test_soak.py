"""A minute of the soak that `make soak` runs for hours."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.soak.soak import Soak


@pytest.mark.attack
def test_a_minute_of_faults_leaves_nothing_behind(tmp_path: Path) -> None:
    """With a fault every few seconds every record gets everywhere, once and in order, and nothing piles up."""
    came = Soak(tmp_path, 60, 100, kills=False, seed=7).run()
    rss, descriptors, threads = came.growth()
    assert sum(came.faults.values()) > 5
    assert came.readings > 1000
    assert descriptors <= 4, came.told()
    assert threads <= 4, came.told()
    assert rss <= 20, came.told()
