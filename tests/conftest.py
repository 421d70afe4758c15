"""Leaks are failures: no task, thread or file descriptor may outlive the test that made it.

A test's own fixtures are part of the test: what they open, they close. What a wider fixture (module, session) opens is
there before the test's snapshot is taken and is left alone.
"""

import asyncio
import gc
import threading
import time
from collections.abc import AsyncIterator, Callable, Generator
from pathlib import Path

import pytest
import pytest_asyncio
from hypothesis import HealthCheck, settings

# No test passes or fails by a clock, and the library's own limits are clocks.
settings.register_profile("house", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("house")

GRACE_S = 3.0
"""How long something already told to stop may take to be gone. It bounds a failure; a clean test never waits."""

_BEFORE = pytest.StashKey[frozenset[str]]()


def _threads() -> frozenset[str]:
    return frozenset(f"thread {t.name} ({t.ident})" for t in threading.enumerate())


def _descriptors() -> frozenset[str]:
    found = set()
    for fd in (
        Path("/proc/self/fd").iterdir() if Path("/proc/self/fd").is_dir() else ()
    ):  # Linux alone tells them
        if fd.name in ("0", "1", "2"):
            continue  # pytest's capture moves these about
        try:
            found.add(f"descriptor {fd.name} -> {fd.readlink()}")
        except FileNotFoundError:
            continue  # the one that listed the folder
    return frozenset(found)


def _alive() -> frozenset[str]:
    return _threads() | _descriptors()


def _left_after_grace(left: Callable[[], frozenset[str]]) -> frozenset[str]:
    """What `left` still names after garbage is collected and the grace is over; empty as soon as it names nothing."""
    if not left():
        return frozenset()
    gc.collect()
    deadline = time.monotonic() + GRACE_S
    while (remaining := left()) and time.monotonic() < deadline:
        time.sleep(0.01)
    return remaining


@pytest.fixture(autouse=True)
def _no_leaks(request: pytest.FixtureRequest) -> None:
    """Take the snapshot that `pytest_runtest_teardown` below compares with, before the test's other fixtures."""
    request.node.stash[_BEFORE] = _alive()
    # Only inside the running loop can tasks be seen: closing it cancels them, and the leak with them.
    if request.node.get_closest_marker("asyncio") is not None:
        request.getfixturevalue("_no_task_left")


@pytest_asyncio.fixture
async def _no_task_left() -> AsyncIterator[None]:
    """Fail when a task made by the test, or by its fixtures, is still there when all of those are torn down."""
    before = asyncio.all_tasks()
    yield

    def left() -> set[asyncio.Task[object]]:
        return {t for t in asyncio.all_tasks() - before if t is not asyncio.current_task()}

    if ending := left():
        await asyncio.wait(ending, timeout=GRACE_S)
    if remaining := left():
        pytest.fail("left behind: " + ", ".join(sorted(repr(t) for t in remaining)), pytrace=False)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown(item: pytest.Item) -> Generator[None, None, None]:
    """Compare once every fixture of the test, and the event loop with its executor, has been torn down."""
    yield
    before = item.stash.get(_BEFORE, None)
    if before is None:
        return  # set-up failed before the snapshot; that failure is the news
    if remaining := _left_after_grace(lambda: _alive() - before):
        pytest.fail("left behind: " + ", ".join(sorted(remaining)), pytrace=False)
