"""A minute of the soak that `make soak` runs for hours."""

from __future__ import annotations

import json
import urllib.request
from pathlib import Path

import pytest

from tests.bench_tools.receiver import Receiver
from tests.soak.soak import Far, Soak, pushed


def test_what_is_pushed_again_is_counted() -> None:
    """A record that comes again, under its old key or a new one, is one more that was sent again."""
    far = Far("mes")
    with Receiver() as receiver:
        for key in ("a", "a", "b"):
            body = json.dumps([{"id": "1", "sequence": 7}]).encode()
            request = urllib.request.Request(receiver.url, body, {"Idempotency-Key": key})  # noqa: S310
            urllib.request.urlopen(request, timeout=30).close()  # noqa: S310
            for sequence in pushed(receiver):
                far.got(sequence)
    assert (far.seen, far.repeats) == ({7}, 2)


@pytest.mark.attack
def test_a_minute_of_faults_leaves_nothing_behind(tmp_path: Path) -> None:
    """With a fault every few seconds every record gets everywhere, once and in order, and nothing piles up."""
    came = Soak(tmp_path, 60, 100, kills=False, seed=7).run()
    growth = came.growth()
    assert growth is not None
    rss, descriptors, threads = growth
    assert sum(came.faults.values()) > 5
    assert came.readings > 1000
    assert descriptors <= 4, came.told()
    assert threads <= 4, came.told()
    assert rss <= 20, came.told()
