"""The inspection record in a browser and on paper, against the daemon as it is."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, expect

from gaugepost.core.access import Role
from gaugepost.edge.access import PeopleFile
from tests.page.bench import WAIT_MS, Bench, bench, opened

pytestmark = pytest.mark.attack
expect.set_options(timeout=WAIT_MS)
PIN = "483920"
PAPERS_PT = {"a4": (595, 842), "letter": (612, 792)}
"""ISO 216: 210 mm × 297 mm; ANSI/ASME Y14.1 size A: 8.5 in × 11 in (both from memory), in 1/72 in."""


def test_it_says_what_the_journal_says(at_bench: Bench, person: BrowserContext) -> None:
    """Every measurement of the lot is there with the numbers it is shown with elsewhere; a void with who and why."""
    for piece, digits in (("1", "38.0121"), ("2", "38.0400"), ("2", "38.0110")):
        at_bench.tags(operator="M2", lot="L / 9", piece=piece)
        at_bench.show(digits)
    readings = list(at_bench.daemon.records(kind="reading", lot="L%20/%209"))
    at_bench.daemon.post(f"/records/{readings[1]['id']}/void", {"reason": "a chip was on the surface"})
    page = opened(person, at_bench.daemon.address)
    page.get_by_role("link", name="Record of this lot, to print").click()
    expect(page.locator("tr[data-id]")).to_have_count(3)
    expect(page.get_by_role("heading", name="Lot L / 9")).to_be_visible()
    for reading in readings:
        row = page.locator(f'tr[data-id="{reading["id"]}"]')
        shown = at_bench.daemon.get(f"/records/{reading['id']}/shown")["shown"]
        for name in ("value", "deviation", "uncertainty", "indication", "lower_acceptance"):
            expect(row).to_contain_text(shown[name])
        expect(row).to_contain_text("ring-38")
        expect(row).to_contain_text("M2")
    expect(page.locator(".paper-notes")).to_contain_text("void by M2")
    expect(page.locator(".paper-notes")).to_contain_text("a chip was on the surface")
    expect(page.locator(".paper")).to_contain_text("0.8 µm (k = 2)")
    expect(page.locator(".paper")).to_contain_text("Nobody has signed it")
    page.locator('input[name="piece"]').fill("1")
    page.get_by_role("button", name="Show").click()
    expect(page.locator("tr[data-id]")).to_have_count(1)


def test_times_are_the_stations(at_bench: Bench, chromium: Browser) -> None:
    """Wherever it is looked at, a record bears the times of the station's zone and the day, as its files do."""
    at_bench.tags(lot="L-zone", piece="1")
    at_bench.show("38.0121")
    (reading,) = at_bench.daemon.records(kind="reading", lot="L-zone")
    context = chromium.new_context(timezone_id="Pacific/Auckland", locale="en-GB")
    page = opened(context, at_bench.daemon.address, "inspection")
    day, _, time = reading["measured_at"].partition("T")
    row = page.locator(f'tr[data-id="{reading["id"]}"]')
    expect(row).to_contain_text(time[:8])
    expect(row).to_contain_text(day[:4])
    expect(page.locator(".paper-head")).to_contain_text("(UTC)")
    context.close()


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_it_prints(at_bench: Bench, person: BrowserContext, paper: str) -> None:
    """On paper there is the record alone, on pages of the size that was chosen, with nothing wider than they are."""
    at_bench.tags(lot="L-paper", piece="1")
    at_bench.show("38.0121")
    page = opened(person, at_bench.daemon.address, "inspection")
    page.wait_for_selector("tr[data-id]")
    page.locator("select").select_option(paper)
    pages = re.findall(rb"/MediaBox ?\[0 0 ([0-9.]+) ([0-9.]+)\]", page.pdf(prefer_css_page_size=True))
    assert {(round(float(width)), round(float(height))) for width, height in pages} == {PAPERS_PT[paper]}
    page.emulate_media(media="print", color_scheme="dark")
    expect(page.locator(".frame")).to_be_hidden()
    expect(page.locator(".asked")).to_be_hidden()
    page.set_viewport_size({"width": round(PAPERS_PT[paper][0] / 72 * 96 - 24 / 25.4 * 96), "height": 900})
    wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert wide <= 0
    ink = page.evaluate("getComputedStyle(document.querySelector('.paper')).color")
    assert ink == "rgb(0, 0, 0)", "dark on white, whatever the screen is set to"


def test_a_lot_is_signed_by_who_is_signed_in(tmp_path: Path, person: BrowserContext) -> None:
    """Who is signed in says their PIN once more; the record on paper names them, when, and as what they signed."""
    with bench(tmp_path) as made:
        made.master()
        made.tags(operator="M2", lot="L / 9", piece="1")
        made.show("38.0121")
        PeopleFile(made.daemon.data).add("M2", Role.OPERATOR, 1, "test", pin=PIN, name="Mara Example")
        page = opened(person, made.daemon.address)
        page.goto(f"{made.daemon.address}/#inspection/L%20%2F%209")
        expect(page.locator(".signing")).to_contain_text("Only a person signs")
        page.locator(".signing").get_by_role("link", name="Sign in").click()
        page.locator("input[name=id]").fill("M2")
        page.locator("input[name=pin]").fill(PIN)
        page.keyboard.press("Enter")
        expect(page.locator("tr[data-id]")).to_have_count(1)
        page.get_by_role("button", name="Sign", exact=True).click()
        dialog = page.get_by_role("dialog")
        expect(dialog).to_contain_text("Sign lot L / 9")
        assert dialog.locator("option").all_inner_texts() == ["review", "authorship"]
        assert Axe().run(page).response["violations"] == []
        dialog.locator("input[name=pin]").fill("739104")
        page.keyboard.press("Enter")
        expect(dialog.get_by_role("alert")).to_contain_text("this is not what M2 signs in with")
        expect(dialog.locator("input[name=pin]")).to_have_value("")
        dialog.locator("select").select_option("authorship")
        dialog.locator("input[name=reason]").fill("first of the lot")
        dialog.locator("input[name=pin]").fill(PIN)
        page.keyboard.press("Enter")
        expect(page.locator(".paper-signatures li")).to_contain_text("Mara Example (M2)")
        expect(page.locator(".paper-signatures li")).to_contain_text("authorship · lot L / 9")
        expect(page.locator(".paper-signatures li")).to_contain_text("first of the lot")
        (told,) = made.daemon.get("/signatures")["signatures"]
        assert (told["signed_by"], told["lot"], told["holds"]) == ("M2", "L / 9", True)
        page.emulate_media(media="print")
        expect(page.locator(".signing")).to_be_hidden()
