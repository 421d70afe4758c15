"""A gauge that is pulled out in the middle of a piece, seen from the bench page."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, expect

from tests.bench_tools.daemon import Daemon, Port
from tests.page.bench import WAIT_MS, Bench, opened, station_text

pytestmark = pytest.mark.attack
expect.set_options(timeout=WAIT_MS)


def test_a_gauge_pulled_out_mid_piece(tmp_path: Path, person: BrowserContext) -> None:
    """The page says that it is away and why there is no verdict; put in and checked, the piece goes on where it was."""
    with (
        Port() as bore,
        Port() as seat,
        Port() as pedal,
        Daemon(tmp_path, station_text(bore, seat, pedal)) as daemon,
    ):
        made = Bench(daemon, bore, seat, pedal)
        made.connected()
        made.master()
        made.tags(operator="M2", lot="L-1", piece="1")
        page = opened(person, daemon.address)
        for digits in ("62.0151", "62.0162"):
            made.show(digits, seat)
        place = page.locator(".piece > li", has_text="seal-seat")
        expect(place).to_contain_text("2 of 4")
        expect(page.locator(".next-what")).to_contain_text("top-120")
        seat.unplug()
        expect(page.locator(".next")).to_contain_text("seat-62 is not connected")
        expect(page.locator(".unjudged")).to_contain_text("No verdict now")
        expect(place).to_contain_text("2 of 4")
        page.get_by_role("link", name="Gauges").click()
        card = page.get_by_role("region", name="seat-62")
        expect(card.locator(".troubles")).to_contain_text("Plug it in and switch it on")
        seat.plug()
        made.connected()
        expect(card).to_contain_text("seat-port: connected")
        expect(card.locator(".troubles")).to_contain_text("Check it on its ring")
        daemon.post("/gauges/seat-62/check", {"master": "ring-62", "serial": "R62-01"})
        made.show("62.0006", seat)
        expect(card).to_contain_text("gives verdicts")
        page.get_by_role("link", name="Measure").click()
        for digits in ("62.0173", "62.0184"):
            made.show(digits, seat)
        expect(place).to_contain_text("in limits")
        expect(place.locator(".attempt-value")).to_have_count(4)
