"""Python's search for cycles is held off and taken up again, whatever happens meanwhile."""

from __future__ import annotations

import gc
from collections.abc import Iterator

import pytest

from gaugepost.edge.collector import set_apart, without_collector


@pytest.fixture(autouse=True)
def on() -> Iterator[None]:
    gc.enable()
    yield
    gc.enable()
    gc.unfreeze()


def test_it_is_off_within_and_on_after() -> None:
    """After an error too; within another, it stays off until the outer one ends."""
    with without_collector():
        assert not gc.isenabled()
        with without_collector():
            pass
        assert not gc.isenabled()
    assert gc.isenabled()
    with pytest.raises(ZeroDivisionError), without_collector():
        raise ZeroDivisionError
    assert gc.isenabled()


def test_who_has_it_off_anyway_keeps_it_off() -> None:
    """A benchmark or a test that switched it off is not overruled."""
    gc.disable()
    with without_collector():
        pass
    assert not gc.isenabled()


def test_what_there_is_at_the_start_is_not_searched_again() -> None:
    """Cycles among it are gone first; what comes later is searched as ever."""
    ring: list[object] = []
    ring.append(ring)
    mark = id(ring)
    del ring
    set_apart()
    assert gc.get_freeze_count() > 10_000
    assert mark not in set(map(id, gc.get_objects()))
    later: list[object] = []
    later.append(later)
    assert any(each is later for each in gc.get_objects())
