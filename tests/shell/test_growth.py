"""Waiting: for the journal to grow, and between two attempts to reach a destination."""

from __future__ import annotations

import asyncio

import pytest
from hypothesis import given, strategies as st

from gaugepost.shell.growth import Growth
from gaugepost.shell.patience import pause_s


@pytest.mark.asyncio
async def test_growth_wakes_whom_it_concerns() -> None:
    """A waiter is woken by the first head beyond its sequence, or at once; a smaller head is none."""
    growth = Growth(5)
    assert await growth.wait_beyond(4) == 5
    waiting = [asyncio.create_task(growth.wait_beyond(n)) for n in (5, 7)]
    await asyncio.sleep(0)
    growth.grow(4)
    assert growth.head == 5
    growth.grow(6)
    assert await waiting[0] == 6
    assert not waiting[1].done()
    growth.grow(8)
    assert await waiting[1] == 8
    given_up = asyncio.create_task(growth.wait_beyond(8))
    await asyncio.sleep(0)
    given_up.cancel()
    await asyncio.gather(given_up, return_exceptions=True)
    growth.grow(9)


@given(st.lists(st.floats(0, 1, exclude_max=True), min_size=1, max_size=30))
def test_pauses_grow_between_their_bounds(chances: list[float]) -> None:
    """No pause is shorter than 0.5 s or longer than 30 s, whatever the dice say."""
    last = 0.0
    for chance in chances:
        last = pause_s(last, lambda chance=chance: chance)  # type: ignore[misc]
        assert 0.5 <= last <= 30.0


def test_pauses_reach_their_longest() -> None:
    """With the dice against it, a pause has grown to nearly 30 s after a few attempts."""
    last = 0.0
    for _ in range(6):
        last = pause_s(last, lambda: 0.999)
    assert last > 29
