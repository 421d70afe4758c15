"""A drawing's list in a browser: pasted or from a file, previewed with its errors, saved in one edit."""

from __future__ import annotations

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import BrowserContext, expect

from tests.bench_tools.daemon import Daemon
from tests.page.bench import WAIT_MS, opened
from tests.page.setting_up import at, edit, filled as filled, form, port as port

pytestmark = pytest.mark.attack
expect.set_options(timeout=WAIT_MS)
LIST = """name;kind;nominal;upper deviation;lower deviation;gauge;note
inlet-bore;bore;38;+0,025;0;g0;turned
seal seat;bore;62;+0,046;0;g0;
=HYPERLINK("x");hole;20;+0,03;0;g7;
A;bore;38 mm;+0,016;0;g0;
"""


def test_a_drawings_list_with_errors(filled: Daemon, person: BrowserContext) -> None:
    """Every error stands at its row and column, the good rows are saved in one edit when a person says so."""
    page = opened(person, filled.address, "setup")
    at(page, "button", "Take a drawing's list")
    page.keyboard.press("Enter")
    expect(form(page).get_by_label("The list")).to_be_focused()
    page.keyboard.insert_text(LIST)
    form(page).get_by_role("button", name="Look it over").click()
    rows = form(page).get_by_role("region", name="Every row of the list").get_by_role("row")
    expect(rows.nth(1)).to_contain_text("'38' has no unit")
    form(page).get_by_label("Numbers without a unit are in").select_option("mm")
    form(page).get_by_role("button", name="Look it over").click()
    expect(form(page)).to_contain_text("Some numbers have a comma: tick")
    form(page).get_by_label("Numbers are written with a comma").check()
    expect(rows).to_have_count(0)
    form(page).get_by_role("button", name="Look it over").click()
    expect(
        form(page).get_by_role("heading", name="4 rows: 2 good, 0 as they are already, 2 wrong")
    ).to_be_focused()
    expect(form(page)).to_contain_text('Column 7: "note" is no heading that is known here')
    expect(rows.nth(1)).to_contain_text("new")
    expect(rows.nth(1)).to_contain_text("38.000 … 38.025 mm")
    expect(rows.nth(2).get_by_role("cell").nth(2)).to_contain_text("write seal-seat")
    expect(rows.nth(3).get_by_role("cell").nth(2)).to_contain_text('=HYPERLINK("x")')
    expect(rows.nth(3).get_by_role("cell").nth(7)).to_contain_text('"g7" is not a gauge of this file')
    expect(rows.nth(4)).to_contain_text("changed")
    assert Axe().run(page).response["violations"] == []
    review = form(page).locator(".review")
    expect(review).to_contain_text("2 rows are saved, 2 are left out")
    expect(review).to_contain_text("characteristics A changed, inlet-bore added")
    form(page).get_by_label("Who saves this?").fill("M2")
    edit(filled, {"masters": {"ring-2": {"size": "40 mm"}}})
    form(page).get_by_role("button", name="Save the good rows (2)").click()
    expect(form(page)).to_contain_text("edited by somebody else meanwhile")
    before = len(list(filled.records(kind="set-up")))
    form(page).get_by_role("button", name="Save the good rows (2)").click()
    expect(form(page)).to_have_count(0)
    expect(page.get_by_role("row", name="inlet-bore")).to_contain_text("38.000 … 38.025 mm")
    tables = filled.get("/station/file")["tables"]
    assert set(tables["characteristics"]) == {"A", "inlet-bore"}
    assert tables["characteristics"]["A"]["nominal"] == "38 mm"
    assert "limits" not in tables["characteristics"]["A"]
    (record,) = list(filled.records(kind="set-up"))[before:]
    assert record["operator"] == "M2"


def test_a_list_from_a_file(filled: Daemon, person: BrowserContext) -> None:
    """A file is read as the text that it is, in the coding that spreadsheets write unsaid; the example is good."""
    page = opened(person, filled.address, "setup")
    page.get_by_role("button", name="Take a drawing's list").click()
    coded = "Merkmal;Grenzmaße;Messgerät\nB-1;ø38 mm ±0.02;g0\n".encode("cp1252")
    form(page).get_by_label("Choose a file").set_input_files(
        {"name": "housing.csv", "mimeType": "text/csv", "buffer": coded}
    )
    expect(form(page)).to_contain_text("housing.csv, read as windows-1252.")
    expect(form(page).get_by_label("The list")).to_have_value(re.compile("ø38 mm ±0.02"))
    form(page).get_by_role("button", name="Look it over").click()
    expect(form(page)).to_contain_text("does not say whether it is a bore or a shaft")
    form(page).get_by_text("Headings, and an example").click()
    form(page).get_by_role("button", name="Put the example in").click()
    form(page).get_by_role("button", name="Look it over").click()
    expect(form(page)).to_contain_text("3 rows: 3 good")
