"""Somebody who has read no manual, at a station of which only the name is known, with a gauge, a ring and a part."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, Locator, Page, expect

from tests.bench_tools.daemon import Daemon
from tests.bench_tools.machine import Machine
from tests.page.bench import WAIT_MS, opened

pytestmark = pytest.mark.attack
expect.set_options(timeout=WAIT_MS)

MOST = 25
"""Interactions that take too long: a click, a field that is filled, or a press of the gauge's button is one each."""


class Novice:
    """Does one thing at a time, and counts."""

    def __init__(self, page: Page, machine: Machine) -> None:
        self.page, self.machine, self.done = page, machine, list[str]()

    def clicks(self, what: Locator) -> None:
        """Click, as anybody can who sees it."""
        self.done.append(f"click {what}")
        what.click()

    def fills(self, what: Locator, text: str) -> None:
        """Type into an empty field."""
        self.done.append(f"fill {what}")
        what.fill(text)

    def presses(self, shows: str) -> None:
        """Press the gauge's own button, and see that something came of it."""
        self.done.append(f"press, {shows}")
        self.machine.send("ttyUSB7", f"{shows}\r\n".encode())


@pytest.fixture
def machine() -> Iterator[Machine]:
    """A machine with a serial adapter, and a keyboard that is nobody's gauge."""
    made = Machine()
    made.do("plug", "ttyUSB7")
    made.do("plug", "event5")
    yield made
    made.close()


def test_from_an_empty_station_to_the_first_decided_result(
    machine: Machine, tmp_path: Path, person: BrowserContext
) -> None:
    """Bound, set up, mastered, checked, measured in under 25 interactions; then a piece, and its record printed."""
    empty = '[station]\nname = "new bench"\ntime_zone = "UTC"\n'
    with Daemon(tmp_path, empty, env=machine.env) as daemon:
        page = opened(person, daemon.address)
        novice = Novice(page, machine)
        button = page.get_by_role("button")
        novice.clicks(page.get_by_role("link", name="Find a gauge"))
        novice.clicks(page.get_by_role("button", name="Listen to it: Bench Adapter"))
        expect(page.locator(".find-now")).to_contain_text("Press the gauge's button now")
        novice.presses("38.014")
        novice.clicks(page.get_by_role("radio", name="38.014 mm"))
        novice.fills(page.get_by_label("What the gauge is called here"), "bore-38")
        novice.clicks(page.get_by_role("radio", name="three-point"))
        novice.fills(page.get_by_label("Who saves this?"), "M1")
        novice.clicks(page.get_by_role("button", name="Save, then set up its master"))
        form = page.get_by_role("dialog", name="Add a master")
        novice.fills(form.get_by_label("Name (needed)"), "ring-38")
        novice.fills(form.get_by_label("Calibrated size at 20 °C (needed)"), "38.0012 mm")
        novice.clicks(form.get_by_role("button", name="Look it over"))
        novice.clicks(form.get_by_role("button", name="Save"))
        form = page.get_by_role("dialog", name="Add a characteristic")
        novice.fills(form.get_by_label("Name (needed)"), "pump-bore")
        novice.fills(form.get_by_label("Limits"), "38 H7")
        novice.clicks(form.get_by_role("button", name="Look it over"))
        novice.clicks(form.get_by_role("button", name="Save"))
        novice.clicks(page.get_by_role("button", name="Master on ring-38"))
        for number, shows in enumerate(("38.001", "38.002", "38.001"), 1):
            expect(page.locator(".master-count")).to_have_text(f"Reading {number} of 3")
            novice.presses(shows)
        novice.clicks(button.filter(has_text="check it now"))
        expect(page.locator(".master-count")).to_have_text("Reading 1 of 1")
        novice.presses("38.002")
        expect(page.get_by_role("link", name="Measure pieces")).to_be_visible()
        novice.presses("38.014")
        expect(page.locator(".result-word")).to_contain_text("in limits")
        (reading,) = daemon.wait_for(1, kind="reading", characteristic="pump-bore")
        assert (reading["verdict"], reading["decision"]) == ("in-limits", "accept")
        assert len(novice.done) < MOST, "\n".join(novice.done)
        page.locator("#in-hand").click()
        for name, said in (("operator", "M1"), ("piece", "1")):
            page.locator(f"dialog input[name={name}]").fill(said)
        page.get_by_role("button", name="Take").click()
        expect(page.locator("#in-hand")).to_contain_text("Piece 1")
        novice.presses("38.011")
        page.get_by_role("link", name="Record of this piece, to print").click()
        paper = page.locator(".paper")
        expect(paper.locator("tr[data-id]")).to_have_count(1)
        expect(paper).to_contain_text("38.011 mm")
        expect(paper).to_contain_text("in limits")
        assert page.pdf(prefer_css_page_size=True).startswith(b"%PDF-")
