"""One browser and one bench for the tests of a file: starting either takes seconds."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, BrowserContext

from tests.bench_tools.ports import free_port
from tests.page.bench import FAILED, WAIT_MS, Bench, bench, browser


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Yield the browser."""
    with browser() as started:
        yield started


@pytest.fixture(scope="module")
def at_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """Yield a bench whose gauges are mastered and checked, at one port however often it is started."""
    with bench(tmp_path_factory.mktemp("bench"), port=free_port()) as made:
        made.master()
        made.tags(operator="M2", lot="L-1", piece="1")
        yield made


@pytest.fixture
def person(chromium: Browser) -> Iterator[BrowserContext]:
    """Yield somebody's browser, in English; nothing of the page may fail in it."""
    FAILED.clear()
    context = chromium.new_context(viewport={"width": 1280, "height": 800}, locale="en-GB")
    context.set_default_timeout(WAIT_MS)
    yield context
    context.close()
    assert FAILED == []
