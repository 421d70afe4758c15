"""Setting up in a browser, by keyboard: from a file with only a station, with errors, and edited by two at a time."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, expect

from tests.bench_tools.daemon import Daemon
from tests.page.bench import WAIT_MS, opened
from tests.page.setting_up import (
    ONLY_A_STATION,
    at,
    bare as bare,
    edit,
    filled as filled,
    form,
    port as port,
    text_of,
)

pytestmark = pytest.mark.attack
expect.set_options(timeout=WAIT_MS)


def test_a_first_characteristic_by_keyboard(bare: Daemon, person: BrowserContext) -> None:
    """Name and limits are enough where there is one gauge; limits are resolved as typed, comments stay."""
    page = opened(person, bare.address, "setup")
    expect(page.get_by_role("list", name="What is still needed")).to_contain_text("Still needed: a master")
    at(page, "button", "Add a characteristic")
    page.keyboard.press("Enter")
    expect(form(page).get_by_label("Name (needed)")).to_be_focused()
    page.keyboard.type("pump-bore")
    page.keyboard.press("Tab")
    page.keyboard.type("38 H7")
    come = form(page).locator(".limits-come")
    expect(come).to_contain_text("From 38.000 mm to 38.025 mm.")
    expect(come).to_contain_text("Tolerance 0.025 mm.")
    expect(come).to_contain_text("0 µm to +25 µm from 38.000 mm.")
    expect(come).to_contain_text("From 1.49606 in to 1.49705 in.")
    page.keyboard.press("Enter")
    expect(form(page).locator(".review")).to_contain_text("characteristics pump-bore added")
    assert "pump-bore" not in text_of(bare), "looking changes nothing"
    expect(form(page).get_by_label("Who saves this?")).to_be_focused()
    assert Axe().run(page).response["violations"] == []
    page.keyboard.type("M2")
    page.keyboard.press("Enter")
    expect(page.locator(".setup")).to_contain_text("Saved. characteristics pump-bore added")
    expect(page.get_by_role("row", name="pump-bore")).to_contain_text("38.000 … 38.025 mm")
    text = text_of(bare)
    assert text.startswith(ONLY_A_STATION)
    assert '[characteristics.pump-bore]\nfeature = "bore"\nlimits = "38 H7"' in text
    assert 'gauges = ["bore-38"]' in text
    record = list(bare.records(kind="set-up"))[-1]
    assert (record["operator"], record["text"]) == ("M2", "characteristics pump-bore added")


def test_a_first_master(bare: Daemon, person: BrowserContext) -> None:
    """A size is enough; whoever saved once need not say again who it is."""
    page = opened(person, bare.address, "setup")
    page.get_by_role("button", name="Add a master").click()
    form(page).get_by_label("Name (needed)").fill("ring-38")
    form(page).get_by_label("Calibrated size at 20 °C (needed)").fill("38.0012")
    page.keyboard.press("Enter")
    size = form(page).get_by_label("Calibrated size at 20 °C (needed)")
    expect(size).to_have_attribute("aria-invalid", "true")
    expect(size).to_be_focused()
    expect(size).to_have_accessible_description(
        "From its certificate, with the unit: 38.0012 mm or 1.50004 in. "
        '\'38.0012\' has no unit; write the unit too, as "38.0012 mm" or "38.0012 in"'
    )
    size.fill("38.0012 mm")
    page.keyboard.press("Enter")
    form(page).get_by_label("Who saves this?").fill("M2")
    page.keyboard.press("Enter")
    expect(page.get_by_role("row", name="ring-38")).to_contain_text("38.0012 mm")
    assert bare.get("/masters")["masters"][0]["size_mm"] == "38.0012"
    page.get_by_role("button", name="Add a master").click()
    form(page).get_by_label("Name (needed)").fill("ring-38")
    page.keyboard.press("Enter")
    expect(form(page).get_by_label("Name (needed)")).to_have_accessible_description(
        "What stands on its box: letters, digits, dots, hyphens and underscores, as ring-38. There is one of this "
        "name already: write another name, or close this and change that one."
    )
    form(page).get_by_label("Name (needed)").fill("Ø 40, ring")
    form(page).get_by_label("Calibrated size at 20 °C (needed)").fill("1.57501 in")
    page.keyboard.press("Enter")
    name = form(page).get_by_label("Name (needed)")
    expect(name).to_have_accessible_description(re.compile("This can't be a name: write 40-ring"))
    expect(name).to_be_focused()
    form(page).get_by_label("Name (needed)").fill("ring-40")
    form(page).get_by_label("Calibrated size at 20 °C (needed)").fill("1.57501 in")
    page.keyboard.press("Enter")
    expect(form(page).get_by_label("Who saves this?")).to_have_value("M2")
    page.keyboard.press("Enter")
    expect(page.get_by_role("row", name="ring-40")).to_be_visible()


def test_a_station_alone_can_be_set_up(tmp_path: Path, person: BrowserContext) -> None:
    """Where the file has only its station, the screen says what is needed, and a master can be added at once."""
    with Daemon(tmp_path, ONLY_A_STATION) as daemon:
        page = opened(person, daemon.address, "setup")
        steps = page.get_by_role("list", name="What is still needed").get_by_role("listitem")
        expect(steps).to_have_count(3)
        assert [each.split(":")[0] for each in steps.all_inner_texts()] == ["Still needed"] * 3
        page.get_by_role("button", name="Add a characteristic").click()
        form(page).get_by_label("Name (needed)").fill("pump-bore")
        form(page).get_by_label("Limits as the drawing writes them").fill("38 H7")
        page.keyboard.press("Enter")
        expect(form(page).get_by_role("group", name="Gauges that may measure it")).to_contain_text(
            "is missing"
        )
        page.keyboard.press("Escape")
        expect(form(page)).to_contain_text("What was typed here is not saved.")
        page.get_by_role("button", name="Close and lose it").click()
        expect(form(page)).to_have_count(0)
        page.get_by_role("button", name="Add a master").click()
        form(page).get_by_label("Name (needed)").fill("ring-38")
        form(page).get_by_label("Calibrated size").fill("38,0012 mm")
        form(page).get_by_label("Coverage factor k").fill("2,0")
        page.keyboard.press("Enter")
        expect(form(page)).to_contain_text("'38,0012 mm' has a comma; write the decimal mark as a point")
        expect(form(page)).to_contain_text("expected a number from 1 to 10; write 2")
        form(page).get_by_label("Calibrated size").fill("38.0012 mm")
        form(page).get_by_label("Coverage factor k").fill("")
        page.keyboard.press("Enter")
        expect(form(page).locator(".problem:not(:empty)")).to_have_count(0)
        form(page).get_by_label("Who saves this?").fill("M2")
        page.keyboard.press("Enter")
        expect(page.get_by_role("row", name="ring-38")).to_be_visible()


def test_limits_say_what_is_wrong_while_they_are_typed(filled: Daemon, person: BrowserContext) -> None:
    """In every way that a drawing writes them, in mm and in inches; what can't be meant says what to write instead."""
    page = opened(person, filled.address, "setup")
    page.get_by_role("button", name="Add a characteristic").click()
    limits = form(page).get_by_label("Limits as the drawing writes them")
    come = form(page).locator(".limits-come")
    for said, shows in (
        ("38 h7", "only holes' classes are covered"),
        (
            "0.8750 in +0.0008/0",
            "From 0.8750 in to 0.8758 in. Tolerance 0.0008 in. 0 µin to +800 µin from 0.8750 in.",
        ),
        (">= 12.4 mm", "12.4 mm or more"),
        ("38,025 mm", "write the decimal mark as a point"),
    ):
        limits.fill(said)
        expect(come).to_contain_text(shows)
    limits.fill("")
    expect(come).to_be_empty()
    form(page).get_by_text("Write the limits another way").click()
    form(page).get_by_label("Nominal size").fill("62 mm")
    form(page).get_by_label("Tolerance class").fill("H8")
    expect(come).to_contain_text("From 62.000 mm to 62.046 mm.")
    form(page).get_by_label("Unit").fill("in")
    expect(come).to_contain_text("From 2.44094 in to 2.44276 in.")


def test_two_edit_at_a_time(filled: Daemon, person: BrowserContext) -> None:
    """What was typed stays; what only the other changed is taken over, and what both changed is left to decide."""
    page = opened(person, filled.address, "setup")
    page.get_by_role("button", name="Change A").click()
    limits = form(page).get_by_label("Limits as the drawing writes them")
    limits.fill("38 H6")
    edit(filled, {"characteristics": {"A": {"limits": "38 H8", "readings": 2}}})
    page.keyboard.press("Enter")
    told = form(page).locator(".said-here")
    expect(told).to_contain_text("edited by somebody else meanwhile")
    expect(told).to_contain_text("Taken over from them: Readings at each place.")
    expect(told).to_contain_text("there it is 38 H8 now, here 38 H6")
    expect(limits).to_have_value("38 H6")
    assert Axe().run(page).response["violations"] == []
    form(page).get_by_role("button", name="Look it over").click()
    form(page).get_by_label("Who saves this?").fill("M2")
    edit(filled, {"masters": {"ring-2": {"size": "40 mm"}}})
    page.keyboard.press("Enter")
    expect(told).to_contain_text("edited by somebody else meanwhile")
    expect(form(page).locator(".review")).to_contain_text("characteristics A changed")
    form(page).get_by_role("button", name="Save").click()
    expect(page.locator(".setup")).to_contain_text("Saved.")
    table = filled.get("/station/file")["tables"]
    assert (table["characteristics"]["A"]["limits"], table["characteristics"]["A"]["readings"]) == (
        "38 H6",
        2,
    )
    assert "ring-2" in table["masters"]
    page.get_by_role("button", name="Change A").click()
    form(page).get_by_label("Limits as the drawing writes them").fill("38 H5")
    edit(filled, {"characteristics": {"A": {"limits": "38 H9"}}})
    page.keyboard.press("Enter")
    form(page).get_by_role("button", name="Take theirs").click()
    expect(form(page).get_by_label("Limits as the drawing writes them")).to_have_value("38 H9")
    page.keyboard.press("Enter")
    expect(told).to_contain_text("Nothing is otherwise")
    edit(filled, {"characteristics": {"A": None}})
    form(page).get_by_label("Limits as the drawing writes them").fill("38 H10")
    page.keyboard.press("Enter")
    expect(told).to_contain_text("Somebody else removed this meanwhile")
    page.keyboard.press("Enter")
    form(page).get_by_role("button", name="Save").click()
    expect(page.get_by_role("row", name="A 38 H10")).to_be_visible()
    assert filled.get("/station/file")["tables"]["characteristics"]["A"]["readings"] == 2


def test_what_is_still_named_is_not_removed(filled: Daemon, person: BrowserContext) -> None:
    """A gauge that a characteristic names stays, and the form says why; what nothing names goes after a look."""
    page = opened(person, filled.address, "setup")
    page.get_by_role("button", name="Remove g0").click()
    expect(form(page)).to_contain_text("something else in the station file names it")
    expect(form(page)).to_contain_text("characteristics.A.gauges[0]")
    expect(form(page).get_by_role("button", name="Remove", exact=True)).to_have_count(0)
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Remove A").click()
    expect(form(page)).to_contain_text("characteristics A removed")
    form(page).get_by_label("Who saves this?").fill("M2")
    form(page).get_by_role("button", name="Remove", exact=True).click()
    expect(page.get_by_role("row", name="A 38 H7")).to_have_count(0)
    assert "characteristics.A" not in text_of(filled)


def test_places_of_a_feature(filled: Daemon, person: BrowserContext) -> None:
    """A list of tables is one frame each; what is wrong in one shows there."""
    page = opened(person, filled.address, "setup")
    page.get_by_role("button", name="Change A").click()
    form(page).get_by_text("More that can be said").click()
    for name, angle in (("top", "0°"), ("side", "90")):
        form(page).get_by_role("button", name="Add one more").click()
        page.keyboard.type(name)
        page.keyboard.press("Tab")
        page.keyboard.type(angle)
    page.keyboard.press("Enter")
    second = form(page).get_by_role("group", name="Places on the feature 2")
    expect(second).to_contain_text("'90' is not an angle")
    second.get_by_label("Angle").fill("90°")
    page.keyboard.press("Enter")
    form(page).get_by_label("Who saves this?").fill("M2")
    page.keyboard.press("Enter")
    expect(page.locator(".setup")).to_contain_text("Saved.")
    table = filled.get("/station/file")["tables"]["characteristics"]["A"]
    assert table["positions"] == [{"name": "top", "angle": "0°"}, {"name": "side", "angle": "90°"}]


def test_a_warning_stands_beside_its_field_and_stops_nobody(filled: Daemon, person: BrowserContext) -> None:
    """What the station can run with is said at its field, as a caution, and can be saved."""
    page = opened(person, filled.address, "setup")
    page.get_by_role("button", name="Change g0").click()
    limit = form(page).get_by_label("May be off at a check by")
    limit.fill("0.5 mm")
    page.keyboard.press("Enter")
    expect(form(page).locator(".caution:not(:empty)")).to_contain_text("a check would prove nothing")
    expect(limit).to_have_attribute("aria-invalid", "false")
    assert Axe().run(page).response["violations"] == []
    form(page).get_by_label("Who saves this?").fill("M2")
    form(page).get_by_role("button", name="Save").click()
    expect(page.get_by_role("row", name="g0 usb-0")).to_contain_text("0.5 mm")


def test_findings_are_said_in_the_page_s_language(filled: Daemon, chromium: Browser) -> None:
    """In German too, while limits are typed, at a list's cells and for what would change."""
    context = chromium.new_context(locale="de-DE", viewport={"width": 1280, "height": 800})
    context.set_default_timeout(WAIT_MS)
    page = opened(context, filled.address, "setup")
    page.get_by_role("button", name="Merkmal anlegen").click()
    form(page).get_by_label("Name (nötig)").fill("B-1")
    limits = form(page).get_by_label("Grenzmaße, wie die Zeichnung sie schreibt")
    limits.fill("38 h7")
    expect(form(page).locator(".limits-come")).to_contain_text("h7 ist die Klasse einer Welle")
    limits.fill("38,02 mm")
    expect(form(page).locator(".limits-come")).to_contain_text("als Dezimalzeichen einen Punkt schreiben")
    limits.fill("38 H8")
    page.keyboard.press("Enter")
    expect(form(page).locator(".review")).to_contain_text("Merkmale: B-1 neu")
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Schließen und verwerfen").click()
    page.get_by_role("button", name="Liste einer Zeichnung übernehmen").click()
    form(page).get_by_label("Die Liste").fill("Merkmal;Grenzmaße;Bemerkung\nB 1;38;x\n")
    form(page).get_by_role("button", name="Prüfen").click()
    expect(form(page)).to_contain_text("sagt nicht, ob es Bohrung oder Welle ist")
    expect(form(page)).to_contain_text("ist keine hier bekannte Überschrift")
    expect(form(page)).to_contain_text("'38' ist ein Maß ohne Grenzmaße")
    assert page.locator("dialog .list-table [lang=en]").count() <= 1, "a name to write is in no language"
    context.close()


@pytest.mark.parametrize(("width", "locale"), [(1280, "en-GB"), (390, "de-DE")])
def test_forms_are_readable_everywhere(filled: Daemon, chromium: Browser, width: int, locale: str) -> None:
    """In both languages, at phone width and with all of it open, axe-core finds nothing and nothing is cut off."""
    context = chromium.new_context(viewport={"width": width, "height": 800}, locale=locale)
    context.set_default_timeout(WAIT_MS)
    page = opened(context, filled.address, "setup")
    page.wait_for_selector(".setup-part tbody tr")
    for section in (0, 1, 2, 3, 5):
        page.locator(".setup-part .part-head button").nth(section).click()
        page.wait_for_selector("dialog :is(.set-field, .option)")
        page.locator("dialog details").evaluate_all("all => all.forEach((each) => { each.open = true; })")
        assert Axe().run(page).response["violations"] == []
        wide = page.locator("dialog").evaluate("each => each.scrollWidth - each.clientWidth")
        assert wide <= 0
        page.keyboard.press("Escape")
    context.close()
