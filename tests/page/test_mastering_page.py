"""Mastering and checking in a browser, against the daemon, with gauges and thermometers on pseudo-terminals."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page, expect

from tests.page.bench import WAIT_MS, opened
from tests.page.masters_bench import MastersBench, masters_bench

pytestmark = pytest.mark.attack
expect.set_options(timeout=WAIT_MS)


@pytest.fixture(scope="module")
def at_masters(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MastersBench]:
    """Yield a bench at which nothing is mastered yet."""
    with masters_bench(tmp_path_factory.mktemp("masters")) as made:
        yield made


def stage(page: Page, name: str, read: int | None = None) -> None:
    """Wait until the page is at a stage, with so many readings."""
    more = "" if read is None else f'[data-read="{read}"]'
    page.wait_for_selector(f'.master-now[data-stage="{name}"]{more}')


def begin(page: Page, serial: str, button: str) -> None:
    """Type or scan the ring's serial number, as a scanner does: digits, then Enter."""
    expect(page.get_by_role("button", name=button)).to_be_enabled()
    page.locator('input[name^="serial-"]').fill(serial)
    page.keyboard.press("Enter")


def master(page: Page) -> None:
    """Begin to master the bore gauge on its ring."""
    page.get_by_role("button", name="Master", exact=True).click()
    begin(page, "R38-07", "Master on ring-38")
    stage(page, "reading", 0)


def test_from_a_ring_to_verdicts(at_masters: MastersBench, person: BrowserContext) -> None:
    """Choose, prove the ring, read with the gauge alone, accept, check: then it is said until when that counts."""
    page = opened(person, at_masters.daemon.address, "master")
    expect(page.locator(".ring input:checked")).to_have_value("ring-38")
    expect(page.locator("details .ring").filter(has_text="ring-62")).to_have_count(1)
    begin(page, "R38-11", "Master on ring-38")
    expect(page.locator(".master-now .problem")).to_contain_text("the serial number of ring-38 is not R38-11")
    begin(page, "R38-07", "Master on ring-38")
    stage(page, "reading", 0)
    expect(page.locator(".master-how")).to_contain_text("let it settle")
    at_masters.show("38.0014")
    stage(page, "reading", 1)
    expect(page.locator(".master-count")).to_have_text("Reading 2 of 2")
    expect(page.locator(".master-shown")).to_contain_text("38.0014 mm +0.2 µm")
    assert Axe().run(page).response["violations"] == []
    at_masters.show("38.0018")
    stage(page, "outcome")
    expect(page.locator(".result-word")).to_have_text("accepted")
    expect(page.locator(".read")).to_contain_text("Spread 0.4 µm of 1.0 µm allowed")
    page.get_by_role("button", name="Accept, and check it now").click()
    page.wait_for_selector('input[name="serial-ring-38"]:focus')
    begin(page, "R38-07", "Check on ring-38")
    stage(page, "reading", 0)
    at_masters.show("38.0017")
    stage(page, "outcome")
    expect(page.locator(".result-word")).to_have_text("passed")
    expect(page.locator(".facts")).to_contain_text("+0.1 µm (allowed ± 4.0 µm)")
    expect(page.locator(".valid-until")).to_contain_text("Valid until")
    page.get_by_role("link", name="Measure pieces").click()
    page.wait_for_selector(".measure[data-shown]")


def test_the_spread_is_drawn_as_it_grows(at_masters: MastersBench, person: BrowserContext) -> None:
    """Readings stand as far apart as they are, in a band as wide as their limit; beyond it they are refused."""
    page = opened(person, at_masters.daemon.address, "master")
    master(page)
    at_masters.show("38.0014")
    stage(page, "reading", 1)
    at_masters.show("38.0031")
    stage(page, "outcome")
    drawn = page.evaluate(
        """() => {
            const box = (each) => each.getBoundingClientRect();
            const points = [...document.querySelectorAll('.spread-point')];
            const [a, b] = points.map((each) => box(each).x + box(each).width / 2);
            return { apart: b - a, band: box(document.querySelector('.spread .scale-inside')).width };
        }"""
    )
    assert drawn["apart"] / drawn["band"] == pytest.approx(1.7, rel=0.02)
    expect(page.locator(".result-word")).to_have_text("refused")
    expect(page.locator(".master-reasons")).to_contain_text("spread by 0.0017 mm, more than 0.001 mm")
    expect(page.locator(".read .problem")).to_have_text("Spread 1.7 µm of 1.0 µm allowed")
    assert Axe().run(page).response["violations"] == []
    page.get_by_role("button", name="Repeat the mastering").click()
    stage(page, "choosing")


def test_another_ring_than_was_named(
    at_masters: MastersBench, person: BrowserContext, chromium: Browser
) -> None:
    """An indication that fits another ring refuses the mastering, and names that ring, to each in their language."""
    german = chromium.new_context(viewport={"width": 390, "height": 844}, locale="de-DE")
    other = opened(german, at_masters.daemon.address, "master")
    other.get_by_role("button", name="Einstellen", exact=True).click()
    other.locator('input[name="serial-ring-38"]').fill("R38-11")
    other.keyboard.press("Enter")
    expect(other.locator(".master-now .problem")).to_contain_text(
        "die Seriennummer von ring-38 ist nicht R38-11: nehmen Sie den richtigen Meister in die Hand"
    )
    page = opened(person, at_masters.daemon.address, "master")
    master(page)
    at_masters.show("38.0208")
    stage(page, "reading", 1)
    at_masters.show("38.0209")
    stage(page, "outcome")
    expect(page.locator(".result-word")).to_have_text("refused")
    expect(page.locator(".master-reasons")).to_contain_text(
        "ring-38-large fits the indication on ring-38 better"
    )
    expect(other.locator(".master-reasons")).to_contain_text(
        "ring-38-large passt besser zur Anzeige an ring-38: wurde ring-38-large gemessen?"
    )
    assert other.locator(".master-reasons [lang=en]").count() == 0
    german.close()


def test_a_jump_is_told_and_left_to_a_person(at_masters: MastersBench, person: BrowserContext) -> None:
    """A mastering far from the last one is accepted with its flag and what is suspect; a person goes on or repeats."""
    at_masters.show("38.0100")
    page = opened(person, at_masters.daemon.address, "master")
    master(page)
    at_masters.show("38.0084")
    stage(page, "reading", 1)
    at_masters.show("38.0085")
    stage(page, "outcome")
    expect(page.locator(".result-word")).to_have_text("accepted")
    expect(page.locator(".master-reasons")).to_contain_text("from the last mastering, more than 0.005 mm")
    expect(page.locator(".master-reasons")).to_contain_text("1: what was measured since the last good check")
    expect(page.locator(".master-now .actions button")).to_have_count(2)


def test_cancel_is_always_there(at_masters: MastersBench, person: BrowserContext) -> None:
    """With a reading taken or without, one press ends it; what became of it is said and on record."""
    page = opened(person, at_masters.daemon.address, "master")
    master(page)
    at_masters.show("38.0014")
    stage(page, "reading", 1)
    page.get_by_role("button", name="Cancel").click()
    stage(page, "outcome")
    expect(page.locator(".result-word")).to_have_text("cancelled")
    assert [each["code"] for each in at_masters.daemon.records(kind="abandoned")][-1] == "mastering"


def test_checks_over_time(at_masters: MastersBench, person: BrowserContext) -> None:
    """A link leads from the ring to how the gauge went; each point says itself, opens its record, and leads back."""
    at_masters.daemon.post("/gauges/bore-38/mastering", {"masters": ["ring-38"], "serials": ["R38-07"]})
    at_masters.show("38.0016")
    at_masters.show("38.0016")
    for digits in ("38.0017", "38.0076"):
        at_masters.daemon.post("/gauges/bore-38/check", {"master": "ring-38", "serial": "R38-07"})
        at_masters.show(digits)
    page = opened(person, at_masters.daemon.address, "master")
    page.get_by_role("link", name="Checks and drift of bore-38 over time").click()
    checks = page.locator(".sheet").filter(has=page.get_by_role("heading", name="Deviation at checks"))
    expect(checks.locator(".chart-point.is-failed")).to_have_count(1)
    checks.locator('.chart-point[tabindex="0"]').focus()
    said = page.evaluate("document.activeElement.getAttribute('aria-label')") or ""
    assert "failed" in said and "fits better" not in said
    page.keyboard.press("Enter")
    expect(page.locator(".record .facts")).to_contain_text("ring-38")
    page.keyboard.press("Escape")
    page.get_by_role("link", name="Master or check bore-38").click()
    page.wait_for_selector('main[data-screen="master"]')


def test_a_scanned_ring_and_a_known_movement(at_masters: MastersBench, person: BrowserContext) -> None:
    """Without its number the ring is asked for by its code; a display of differences has its sense proved by moving."""
    page = opened(person, at_masters.daemon.address, "master")
    page.get_by_role("button", name="seat-62").click()
    expect(page.locator('input[name="movement"]:checked')).to_have_value("larger")
    page.get_by_role("button", name="Master on ring-62").click()
    expect(page.get_by_role("heading", name="Scan ring-62")).to_be_visible()
    at_masters.scanner.send(b"SN-R38-07\r\n")
    at_masters.scanner.send(b"SN-R62-01\r\n")
    expect(page.get_by_role("heading", name="Read ring-62")).to_be_visible()
    for shown in ("0.0002", "0.0003"):
        at_masters.show(shown, at_masters.seat)
    expect(page.get_by_role("heading", name="Move it so that the size is larger")).to_be_visible()
    at_masters.show("0.0123", at_masters.seat)
    stage(page, "outcome")
    expect(page.locator(".result-word")).to_have_text("accepted")


def test_two_rings_set_offset_and_scale(at_masters: MastersBench, person: BrowserContext) -> None:
    """With a second ring each is proved and read in its turn, and each shows its own spread."""
    page = opened(person, at_masters.daemon.address, "master")
    page.get_by_role("button", name="bore-38").click()
    page.get_by_role("button", name="Master", exact=True).click()
    page.locator('select[name="second"]').select_option("ring-38-large")
    page.locator('input[name="serial-ring-38"]').fill("R38-07")
    page.locator('input[name="serial-ring-38-large"]').fill("R38-11")
    page.keyboard.press("Enter")
    stage(page, "reading", 0)
    for read, shown in enumerate(("38.0014", "38.0015", "38.0210"), start=1):
        at_masters.show(shown)
        stage(page, "reading", read)
    expect(page.get_by_role("heading", name="Read ring-38-large")).to_be_visible()
    at_masters.show("38.0211")
    stage(page, "outcome")
    expect(page.locator(".result-word")).to_have_text("accepted")
    expect(page.locator(".read")).to_have_count(2)


def test_it_waits_for_ring_and_gauge_to_soak(at_masters: MastersBench, person: BrowserContext) -> None:
    """While one drifts the button says how long to wait; who begins all the same is refused in the end."""
    page = opened(person, at_masters.daemon.address, "master")
    page.get_by_role("button", name="Master", exact=True).click()
    stage(page, "choosing")
    for celsius in ("20.6", "20.9"):
        at_masters.warms("gauge", celsius)
    expect(page.get_by_role("button", name="Let it soak: about 10 min")).to_be_disabled()
    expect(page.locator(".temperatures")).to_contain_text("20.9 °C (measured) · moved 0.5 K in 10 min")
    expect(page.locator(".soak-line")).to_have_count(2)
    page.locator('input[name="serial-ring-38"]').fill("R38-07")
    page.get_by_role("button", name="Begin all the same").click()
    stage(page, "reading", 0)
    at_masters.show("38.0014")
    stage(page, "reading", 1)
    at_masters.show("38.0015")
    stage(page, "outcome")
    expect(page.locator(".result-word")).to_have_text("refused")
    expect(page.locator(".master-reasons")).to_contain_text("the gauge still drifts: 0.5 K within 10 min")
