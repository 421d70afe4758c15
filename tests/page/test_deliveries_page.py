"""Deliveries in a browser: a destination that goes away, refuses and is handed over to again, against the daemon."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import BrowserContext, expect

from tests.bench_tools.daemon import Daemon, Port
from tests.bench_tools.picky import PickySide
from tests.bench_tools.ports import free_port
from tests.page.bench import WAIT_MS, Bench, opened, station_text

pytestmark = pytest.mark.attack
expect.set_options(timeout=WAIT_MS)


@dataclass
class Delivering(Bench):
    """A bench whose readings go to a far side that refuses and goes away as it is told."""

    far: PickySide | None = None


@pytest.fixture(scope="module")
def delivering(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Delivering]:
    """Yield such a bench."""
    folder = tmp_path_factory.mktemp("deliveries")
    far = PickySide(folder / "far")
    with Port() as bore, Port() as seat, Port() as pedal:
        text = station_text(bore, seat, pedal, far.table + '[destinations.sheet]\nkind = "csv_file"\n')
        with Daemon(folder, text, env=far.env, port=free_port()) as daemon:
            made = Delivering(daemon, bore, seat, pedal, far=far)
            made.connected()
            yield made


def test_what_was_set_aside_is_handed_over_again(delivering: Delivering, person: BrowserContext) -> None:
    """It is shown with the far side's own answer; after a confirmation it is handed over again, with who and why."""
    far = delivering.far
    assert far is not None
    far.tell("refuses", "2")
    for piece in ("1", "2", "3"):
        delivering.tags(lot="L-1", piece=piece)
        delivering.show("38.0120")
    page = opened(person, delivering.daemon.address, "deliveries")
    charts = page.get_by_role("region", name="charts", exact=True)
    expect(charts).to_contain_text("no such piece")
    expect(charts.locator("tbody tr")).to_have_count(1)
    refused = charts.locator("tbody th").inner_text()
    assert "has everything up to" in page.get_by_role("region", name="sheet", exact=True).inner_text()
    charts.get_by_role("button", name=f"Open record {refused}").click()
    expect(page.locator(".record .facts")).to_contain_text("Piece")
    page.keyboard.press("Escape")
    far.forget("refuses")
    charts.get_by_role("button", name="Hand over all 1 again").click()
    page.locator('input[name="operator"]').fill("M2")
    page.locator('input[name="reason"]').fill("the piece is known there now")
    assert Axe().run(page).response["violations"] == []
    page.get_by_role("dialog").get_by_role("button", name="Hand over again").click()
    expect(charts.locator("tbody tr")).to_have_count(0)
    assert far.pieces() == ["1", "3", "2"]
    (command,) = delivering.daemon.get("/destinations/charts")["commands"]
    assert (command["operator"], command["reason"]) == ("M2", "the piece is known there now")


def test_a_far_side_that_is_away(delivering: Delivering, person: BrowserContext) -> None:
    """How far behind it is shows, and why; tried now instead of after a pause, it catches up."""
    far = delivering.far
    assert far is not None
    far.tell("away")
    delivering.tags(piece="4")
    delivering.show("38.0120")
    page = opened(person, delivering.daemon.address, "deliveries")
    charts = page.get_by_role("region", name="charts", exact=True)
    expect(charts).to_contain_text("can't be reached")
    expect(charts).to_contain_text("it is away")
    expect(charts).to_contain_text("behind: has everything up to")
    assert Axe().run(page).response["violations"] == []
    far.forget("away")
    charts.get_by_role("button", name="Try now").click()
    page.get_by_role("dialog").get_by_role("button", name="Try now").click()
    expect(charts).to_contain_text("up to date")
    assert far.pieces()[-1] == "4"
