"""Every screen: what keeps a person from reading or using it, in every size, in light and dark, and who may command."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page, expect

from tests.bench_tools.daemon import Daemon, Port
from tests.page.bench import WAIT_MS, Bench, bench, opened, station_text

pytestmark = pytest.mark.attack
expect.set_options(timeout=WAIT_MS)
SCREENS = {
    "measure": ".measure[data-shown]",
    "master": ".ring",
    "look": ".chart-point",
    "gauges": ".gauge",
    "deliveries": ".delivery, .sheet",
    "setup": ".setup-part tbody tr",
    "drift": ".over-time",
    "inspection": ".paper-foot",
    "find": ".find-devices > li",
}
PIN = "481516"
SHOTS = os.environ.get("PAGE_SCREENSHOTS")
"""A folder to keep a picture of every screen in, for whoever wants to look at them."""


@pytest.fixture(scope="module")
def measured(at_bench: Bench) -> Bench:
    """Return a bench at which a piece has something of everything: good, bad, undecided, void, again, and a form."""
    for digits in ("38.0121", "38.0400", "37.9900", "38.0255", "38.0110"):
        at_bench.show(digits)
        at_bench.step()
    for digits in ("62.0151", "62.0240", "62.0180", "62.0170"):
        at_bench.show(digits, at_bench.seat)
    at_bench.show("38.0120")
    at_bench.show("38.0130")
    last = at_bench.daemon.get("/measuring")["last"]["id"]
    at_bench.daemon.post(f"/records/{last}/void", {"reason": "a chip was on the surface"})
    at_bench.daemon.post("/gauges/bore-38/check", {"master": "ring-38", "serial": "R38-07"})
    at_bench.show("38.0014")
    at_bench.show("38.0115")
    return at_bench


def held(page: Page, name: str) -> None:
    """Hold a page as it is to axe-core's rules, all of WCAG 2.2 A and AA among them; keep a picture where asked to."""
    if SHOTS:
        (Path(SHOTS) / f"{name}.png").write_bytes(page.screenshot(full_page=True))
    found = Axe().run(page)
    told = [
        f"{each['id']}: {each['help']}: {[node['html'][:120] for node in each['nodes']][:3]}"
        for each in found.response["violations"]
    ]
    assert told == [], f"{name}: " + "\n".join(told)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height", "locale"), [(1280, 800, "en-GB"), (390, 844, "de-DE")])
def test_nothing_keeps_a_person_out(
    measured: Bench, chromium: Browser, scheme: str, width: int, height: int, locale: str
) -> None:
    """On no screen, in no size, language or light does axe-core find a violation, with dialogs open, too."""
    context = chromium.new_context(
        viewport={"width": width, "height": height},
        color_scheme="dark" if scheme == "dark" else "light",
        locale=locale,
        reduced_motion="reduce",
    )
    context.set_default_timeout(WAIT_MS)
    page = opened(context, measured.daemon.address)
    for screen, sign in SCREENS.items():
        page.goto(f"{measured.daemon.address}/#{screen}")
        page.wait_for_selector(sign)
        held(page, f"{screen}-{scheme}-{width}")
    page.locator("#in-hand").click()
    held(page, f"in-hand-{scheme}-{width}")
    page.keyboard.press("Escape")
    page.locator("#choices").click()
    held(page, f"choices-{scheme}-{width}")
    page.keyboard.press("Escape")
    page.goto(f"{measured.daemon.address}/#look")
    page.locator(".chart-point").first.focus()
    page.locator(".chart-point").first.dispatch_event("click")
    page.wait_for_selector(".budget tbody tr")
    held(page, f"record-{scheme}-{width}")
    page.evaluate("document.querySelector('dialog').append(document.createElement('img'))")
    assert Axe().run(page).violations_count, "it would have found something"
    context.close()


@pytest.mark.parametrize("width", [320, 640, 820, 1280])
def test_nothing_is_cut_off(measured: Bench, chromium: Browser, width: int) -> None:
    """At 1280 px, 200 % of it, on a tablet and down to 320: nothing scrolls sideways (WCAG 2.2, 1.4.4, 1.4.10)."""
    context = chromium.new_context(viewport={"width": width, "height": 400}, locale="de-DE")
    page = opened(context, measured.daemon.address)
    for screen, sign in SCREENS.items():
        page.goto(f"{measured.daemon.address}/#{screen}")
        page.wait_for_selector(sign)
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 0, f"{screen} at {width}"
    context.close()


def test_a_run_chart_by_keyboard(measured: Bench, person: BrowserContext) -> None:
    """One tab stop holds all points; arrows go along them, each says itself in words, and Enter opens it."""
    page = opened(person, measured.daemon.address, "look")
    page.wait_for_selector(".chart-point")
    points = page.locator(".chart-point")
    assert page.locator('.chart-point[tabindex="0"]').count() == 1
    page.locator('.chart-point[tabindex="0"]').focus()
    page.keyboard.press("Home")
    assert "38.011 mm, in limits" in (
        page.evaluate("document.activeElement.getAttribute('aria-label')") or ""
    )
    page.keyboard.press("ArrowRight")
    assert "oversize" in (page.evaluate("document.activeElement.getAttribute('aria-label')") or "")
    page.keyboard.press("Enter")
    expect(page.locator(".record-value")).to_contain_text("38.039 mm")
    page.keyboard.press("Escape")
    gone = points.evaluate_all("all => all.filter((each) => each.classList.contains('is-gone')).length")
    assert gone == 1, "the void stays in the chart, and shows as such"
    assert page.locator(".chart-mark-check").count() == 1
    assert page.locator(".scale-guard").count() >= 2


def test_a_form_has_its_picture(measured: Bench, person: BrowserContext) -> None:
    """Where places have angles and depths the last piece's form is drawn, with its figures in words."""
    page = opened(person, measured.daemon.address, "look")
    page.wait_for_selector("select")
    page.locator("select").first.select_option("seal-seat")
    expect(page.locator(".form")).to_be_visible()
    assert "Ovality" in (page.locator(".form").get_attribute("aria-label") or "")
    expect(page.get_by_role("heading", name="Form of piece")).to_be_visible()


def test_a_gauge_says_what_is_wrong_and_what_to_do(measured: Bench, person: BrowserContext) -> None:
    """A gauge's card has its last frame, how long its check lasts, and after a knock what to do."""
    page = opened(person, measured.daemon.address, "gauges")
    card = page.get_by_role("region", name="bore-38")
    expect(card).to_contain_text("33 38 2E 30 31 31 35 20 6D 6D")
    expect(card).to_contain_text("to the check at least every 8 h")
    expect(card).to_contain_text("gives verdicts")
    measured.daemon.post("/gauges/bore-38/reports", {"what": "knock"})
    expect(card).to_contain_text("no verdicts")
    expect(card.locator(".troubles")).to_contain_text("Check it on its ring")


def test_nothing_outside_is_asked(measured: Bench, person: BrowserContext) -> None:
    """Whatever a person opens, the browser asks this one service and nobody else."""
    asked: list[str] = []
    page = person.new_page()
    page.on("request", lambda request: asked.append(request.url))
    for screen, sign in SCREENS.items():
        page.goto(f"{measured.daemon.address}/#{screen}")
        page.wait_for_selector(sign)
    assert len(asked) > 20
    assert not [url for url in asked if not url.startswith(measured.daemon.address + "/")]


def test_names_stay_text(measured: Bench, person: BrowserContext) -> None:
    """Whatever a lot, a piece or a person is called, the page shows it as it is written and makes nothing of it."""
    name = "<img src=x onerror=document.title='taken'>"
    measured.tags(lot=name, piece=f"{name}1", operator="<b>M2</b>")
    measured.show("38.0120")
    page = opened(person, measured.daemon.address)
    expect(page.locator("#in-hand")).to_contain_text(name)
    expect(page.locator(".result-about")).to_contain_text(f"{name}1")
    for screen, sign in SCREENS.items():
        page.goto(f"{measured.daemon.address}/#{screen}")
        page.wait_for_selector(sign)
        assert page.locator("img").count() == 0
        assert page.locator("b b").count() == 0
        assert "taken" not in page.title()


@pytest.fixture
def closed(tmp_path: Path) -> Iterator[Daemon]:
    """Yield a daemon where even looking takes a token or a session."""
    with (
        Port() as bore,
        Port() as seat,
        Port() as pedal,
        Daemon(tmp_path, station_text(bore, seat, pedal, "[service]\ntokens = true\n")) as daemon,
    ):
        yield daemon


def test_who_signs_in_commands_as_themselves(tmp_path: Path, chromium: Browser) -> None:
    """With people, anybody looks and commands only signed in: under that person's id, until they sign out."""
    with bench(tmp_path) as made:
        words = ["access", "add", "M7", "--role", "operator", "--station", "station.toml"]
        added = subprocess.run(
            [sys.executable, "-m", "gaugepost", *words],
            cwd=tmp_path, input=f"{PIN}\n{PIN}\n", capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert added.returncode == 0, added.stderr
        context = chromium.new_context(viewport={"width": 1280, "height": 800}, locale="en-GB")
        context.set_default_timeout(WAIT_MS)
        page = opened(context, made.daemon.address)
        page.get_by_role("button", name="Next piece").click()
        expect(page.locator(".measure .problem[role=alert]")).to_contain_text("signed in")
        page.locator("#who").get_by_role("link", name="Sign in").click()
        page.wait_for_selector("input[name=pin]")
        held(page, "sign-in")
        page.locator("input[name=id]").fill("M7")
        page.locator("input[name=pin]").fill("000000")
        page.keyboard.press("Enter")
        expect(page.get_by_role("alert").first).to_contain_text("nobody here signs in with that")
        page.locator("input[name=pin]").fill(PIN)
        page.keyboard.press("Enter")
        expect(page.locator("#who")).to_contain_text("M7")
        page.get_by_role("button", name="Next piece: 1").click()
        expect(page.locator("#in-hand")).to_contain_text("Piece 1")
        page.locator("#in-hand").click()
        page.locator("input[name=operator]").fill("M8")
        page.get_by_role("button", name="Take").click()
        expect(page.locator("dialog .problem")).to_contain_text("M7")
        page.keyboard.press("Escape")
        page.get_by_role("button", name="Sign out").click()
        page.wait_for_selector("input[name=pin]")
        assert json.loads(page.evaluate("JSON.stringify(Object.keys(localStorage))")) in ([], ["gaugepost"])
        context.close()


def test_without_a_session_nothing_is_seen(closed: Daemon, chromium: Browser) -> None:
    """Where even looking takes a session, the page leads to the sign-in screen, which says nothing of the station."""
    context = chromium.new_context(locale="en-GB")
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.goto(f"{closed.address}/#look")
    page.wait_for_url("**/sign-in*")
    page.wait_for_selector("input[name=pin]")
    assert "housing bench" not in page.content()
    context.close()
