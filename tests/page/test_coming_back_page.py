"""The bench page while its service goes and comes back: killed, in a mastering too, and with another journal."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, expect

from tests.bench_tools.ports import free_port
from tests.page.bench import WAIT_MS, Bench, bench, opened, shows

pytestmark = pytest.mark.attack
expect.set_options(timeout=WAIT_MS)


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Bench]:
    """Yield a bench for one test alone, which starts its daemon again at the same port."""
    with bench(tmp_path, port=free_port()) as made:
        yield made


def test_it_comes_back_by_itself(own: Bench, person: BrowserContext) -> None:
    """Killed, the service is missed with a notice; back, the page catches up with what was measured and says so."""
    own.master()
    own.tags(lot="L-kill", piece="1")
    page = opened(person, own.daemon.address)
    own.show("38.0103")
    shows(page, own)
    own.daemon.kill()
    expect(page.locator(".notice-bad")).to_contain_text("connection lost")
    own.daemon.start()
    own.connected()
    own.show("38.0400")
    shows(page, own)
    expect(page.locator(".result-word")).to_have_text("oversize")
    expect(page.locator(".notice-good")).to_contain_text("connected again")
    expect(page.locator(".notice-bad")).to_have_count(0)


def test_another_journal_is_followed_from_its_end(own: Bench, person: BrowserContext) -> None:
    """Where the service comes back with another journal the page asks anew how things stand, and goes on from there."""
    own.master()
    own.tags(lot="L-old", piece="1")
    page = opened(person, own.daemon.address)
    own.show("38.0104")
    shows(page, own)
    own.daemon.kill()
    shutil.rmtree(own.daemon.data)
    own.daemon.start()
    own.connected()
    expect(page.locator("#in-hand")).not_to_contain_text("L-old")
    own.master()
    own.tags(operator="M2", lot="L-new", piece="1")
    own.show("38.0400")
    shows(page, own)
    expect(page.locator(".result-word")).to_have_text("oversize")
    expect(page.locator(".lot tbody tr")).to_have_count(1)


def test_killed_in_the_middle_of_a_mastering(own: Bench, person: BrowserContext) -> None:
    """What was read before the kill counts: the page shows it again, the next reading completes the mastering."""
    page = opened(person, own.daemon.address, "master")
    page.locator('input[name="serial-ring-38"]').fill("R38-07")
    page.keyboard.press("Enter")
    page.wait_for_selector('.master-now[data-stage="reading"]')
    own.show("38.0014")
    page.wait_for_selector('.master-now[data-read="1"]')
    own.daemon.kill()
    expect(page.locator(".notice-bad")).to_contain_text("connection lost")
    own.daemon.start()
    own.connected()
    expect(page.locator(".notice-good")).to_contain_text("connected again")
    expect(page.locator(".master-count")).to_have_text("Reading 2 of 2")
    expect(page.locator(".master-shown")).to_contain_text("38.0014 mm")
    own.show("38.0016")
    page.wait_for_selector('.master-now[data-stage="outcome"]')
    expect(page.locator(".result-word")).to_have_text("accepted")
    (mastering,) = own.daemon.records(kind="mastering")
    readings = list(own.daemon.records(kind="master-reading"))
    assert [each["indication"] for each in readings] == ["38.0014", "38.0016"]
    assert mastering["code"] == "accepted"
