"""The measuring screen in a browser, against the daemon as it is, with gauges and a foot switch on pseudo-terminals."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, expect

from tests.page.bench import WAIT_MS, Bench, bench, opened, shows

pytestmark = pytest.mark.attack
expect.set_options(timeout=WAIT_MS)


def test_a_lot_by_foot_switch_alone(at_bench: Bench, person: BrowserContext) -> None:
    """With gauge and foot switch alone each piece's result shows: digits, word, shape, place, what can be done."""
    at_bench.tags(lot="L-foot", piece="1")
    page = opened(person, at_bench.daemon.address)
    for digits, value, word, side, remedy in (
        ("38.0121", "38.011", "in limits", "at-middle", ""),
        ("38.0400", "38.039", "oversize", "at-end", "cannot be brought back"),
        ("37.9900", "37.989", "undersize", "at-start", "can still be opened"),
        ("38.0255", "38.0246", "undecided", "at-middle", "cannot be brought back"),
    ):
        at_bench.show(digits)
        shows(page, at_bench)
        expect(page.locator(".result-value")).to_have_text(f"{value} mm")
        expect(page.locator(".result-word")).to_have_text(word)
        expect(page.locator(".result-word svg")).to_have_count(1)
        assert side in (page.locator(".result-word").get_attribute("class") or "")
        expect(page.locator(".result-remedy")).to_have_text(remedy)
        expect(page.locator(".result-indication")).to_contain_text(digits)
        expect(page.locator(".facts")).to_contain_text("Expanded uncertainty")
        at_bench.step()
    expect(page.locator("#in-hand")).to_contain_text("Piece 5")
    expect(page.locator(".result-about")).to_contain_text("Before:")
    expect(page.locator(".lot tbody tr")).to_have_count(4)
    expect(page.locator(".lot tbody tr").nth(2)).to_contain_text("oversize")


def test_the_value_lies_where_it_is_drawn(at_bench: Bench, person: BrowserContext) -> None:
    """The picture is to scale: limits, acceptance limits, value and uncertainty stand as far apart as they are."""
    at_bench.tags(lot="L-scale", piece="1")
    page = opened(person, at_bench.daemon.address)
    at_bench.show("38.0060")
    shows(page, at_bench)
    last = at_bench.daemon.get("/measuring")["last"]
    share = (float(last["value"]) - 38.0) / 0.025
    drawn = page.evaluate(
        """() => {
            const box = (each) => each.getBoundingClientRect();
            const place = (each) => box(each).x + box(each).width / 2;
            const all = (name) => [...document.querySelectorAll(name)].map(place);
            const reach = box(document.querySelector('.scale-reach')).width;
            return { limits: all('.scale-limit'), guard: all('.scale-accept'), value: all('.scale-needle')[0], reach };
        }"""
    )
    low, high = drawn["limits"]
    assert (drawn["value"] - low) / (high - low) == pytest.approx(share, abs=0.01)
    for name, at in zip(("lower_acceptance", "upper_acceptance"), drawn["guard"], strict=True):
        assert (at - low) / (high - low) == pytest.approx((float(last[name]) - 38.0) / 0.025, abs=0.01)
    expanded = 2 * float(last["uncertainty_mm"]) / 0.025
    assert drawn["reach"] / (high - low) == pytest.approx(expanded, abs=0.015)


def test_by_keyboard_alone(at_bench: Bench, person: BrowserContext) -> None:
    """Without a mouse somebody takes up a piece, steps on, measures again and voids; it is recorded with who."""
    page = opened(person, at_bench.daemon.address)
    page.wait_for_selector(".measure[data-shown]")
    page.locator("#in-hand").focus()
    page.keyboard.press("Enter")
    for text in ("M3", "L-keys", "7"):
        page.wait_for_selector("dialog[open] input:focus")
        page.keyboard.press("Control+A")
        page.keyboard.type(text)
        page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#in-hand")).to_contain_text("Piece 7")
    assert page.evaluate("document.activeElement.id") == "in-hand"
    forward = page.get_by_role("button", name="Next piece: 8")
    forward.focus()
    page.keyboard.press("Enter")
    expect(page.locator("#in-hand")).to_contain_text("Piece 8")
    at_bench.show("38.0100")
    shows(page, at_bench)
    for button in ("Measure again", "Does not count"):
        page.get_by_role("button", name=button).focus()
        page.keyboard.press("Enter")
        page.wait_for_selector("dialog[open] input:focus")
        page.keyboard.press("ArrowDown")
        page.keyboard.press("Enter")
        expect(page.locator("dialog")).to_have_count(0)
    expect(page.locator(".result-word")).to_have_text("void")
    expect(page.locator(".result")).not_to_contain_text("accept")
    expect(page.locator(".pieces .current")).to_contain_text("0 of 1")
    said = [each for each in at_bench.daemon.records(kind="void") if each["piece"] == "8"]
    assert [(each["operator"], each["text"]) for each in said] == [("M3", "it was another piece")]
    again = [each for each in at_bench.daemon.records(kind="attempt") if each["piece"] == "8"]
    assert [(each["operator"], each["code"]) for each in again] == [("M3", "rework")]


def test_attempts_stay_in_sight(at_bench: Bench, person: BrowserContext) -> None:
    """A place that is measured again shows every attempt, and each opens with its frame, corrections and budget."""
    at_bench.tags(lot="L-again", piece="1")
    page = opened(person, at_bench.daemon.address)
    for digits in ("38.0310", "38.0110"):
        at_bench.show(digits)
        shows(page, at_bench)
    expect(page.locator(".result-about")).to_contain_text("attempt 2")
    expect(page.locator(".attempts button")).to_have_count(2)
    page.locator(".attempts button").first.click()
    record = page.locator(".record")
    expect(record).to_contain_text("38.0310 mm\\r\\n")
    expect(record).to_contain_text("33 38 2E 30 33 31 30")
    expect(record).to_contain_text("thermal")
    expect(record).to_contain_text("Uncertainty budget")
    expect(record.locator(".budget tbody tr").first).to_be_visible()
    expect(record.locator(".budget")).to_contain_text("It comes to the uncertainty that is recorded here")


def test_two_browsers_see_the_same(at_bench: Bench, person: BrowserContext, chromium: Browser) -> None:
    """What one browser commands shows in the other, in its own language."""
    at_bench.tags(lot="L-two", piece="1")
    page = opened(person, at_bench.daemon.address)
    other = chromium.new_context(viewport={"width": 390, "height": 844}, locale="de-DE")
    there = opened(other, at_bench.daemon.address)
    at_bench.show("38.0400")
    for each in (page, there):
        shows(each, at_bench)
    expect(there.locator(".result-word")).to_have_text("Übermaß")
    page.get_by_role("button", name="Next piece: 2").click()
    expect(there.locator("#in-hand")).to_contain_text("Teil 2")
    other.close()


def test_sounds_are_off_until_asked_for(at_bench: Bench, person: BrowserContext) -> None:
    """No sound is made by itself; once chosen there is one for each word, and it stays chosen."""
    at_bench.tags(lot="L-sound", piece="1")
    page = opened(person, at_bench.daemon.address)
    at_bench.show("38.0101")
    shows(page, at_bench)
    assert page.evaluate("document.documentElement.dataset.sounded ?? null") is None
    page.locator("#choices").click()
    page.locator('input[name="sounds"][value="on"]').check()
    page.keyboard.press("Escape")
    for digits, word in (("38.0400", "oversize"), ("37.9900", "undersize"), ("38.0102", "in-limits")):
        at_bench.show(digits)
        page.wait_for_selector(f'html[data-sounded="{word}"]', state="attached")
    page.reload()
    page.locator("#choices").click()
    expect(page.locator('input[name="sounds"][value="on"]')).to_be_checked()


INCHES = """
[characteristics.inlet-bore]
feature = "bore"
limits = "1.4960 in +0.0010/0"
part_material = "aluminium 6061"
gauges = ["bore-38"]
masters = ["ring-38"]
"""


def test_a_drawing_in_inches(tmp_path: Path, person: BrowserContext) -> None:
    """What the drawing gives in inches is shown in inches, its limits too; what the gauge showed stays in mm."""
    with bench(tmp_path, INCHES) as made:
        made.master()
        made.tags(operator="M2", lot="L-in", piece="1")
        page = opened(person, made.daemon.address)
        page.get_by_role("button", name="bore-38", exact=True).click()
        page.get_by_role("button", name="inlet-bore").click()
        expect(page.locator(".next-what")).to_contain_text("inlet-bore")
        made.show("38.0103")
        shows(page, made)
        (reading,) = made.daemon.records(kind="reading")
        assert reading["unit"] == "in"
        shown = made.daemon.get(f"/records/{reading['id']}/shown")["shown"]
        assert Decimal(shown["value"]) == round(Decimal(reading["value_mm"]) / Decimal("25.4"), 4)
        expect(page.locator(".result-value")).to_have_text(f"{shown['value']} in")
        expect(page.locator(".result-line")).to_contain_text("38.0103 mm")
        expect(page.locator(".result-ends")).to_contain_text("1.4960")
        expect(page.locator(".result-ends")).to_contain_text("1.4970")
        expect(page.locator(".result-word")).to_have_text("in limits")
        page.get_by_role("link", name="Look").click()
        page.locator("select").first.select_option("inlet-bore")
        expect(page.get_by_role("heading", name="inlet-bore")).to_contain_text("1.4960 … 1.4970 in")
