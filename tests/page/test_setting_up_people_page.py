"""Setting up where records go, when lots ask for checks and who may sign in, in a browser against the daemon."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import BrowserContext, Locator, Page, expect

from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.picky import PickySide
from tests.page.bench import WAIT_MS, opened

pytestmark = pytest.mark.attack
expect.set_options(timeout=WAIT_MS)
PIN, OTHER_PIN = "481516", "230842"


@pytest.fixture
def far(tmp_path: Path) -> PickySide:
    """Return a destination that another distribution brings."""
    return PickySide(tmp_path / "far")


@pytest.fixture
def station(tmp_path: Path, far: PickySide) -> Iterator[Daemon]:
    """Yield a station where that destination is installed."""
    with Port() as port, Daemon(tmp_path, station_file([port]), env=far.env) as daemon:
        yield daemon


def form(page: Page) -> Locator:
    """Return the open form."""
    return page.get_by_role("dialog")


def add(page: Page, kind: str, name: str) -> None:
    """Begin to add a destination of a kind."""
    page.get_by_role("button", name="Add a destination").click()
    form(page).get_by_label(kind).check()
    form(page).get_by_role("button", name="Go on").click()
    form(page).get_by_label("Name (needed)").fill(name)


def save(page: Page) -> None:
    """Look it over and save it."""
    form(page).get_by_role("button", name="Look it over").click()
    form(page).get_by_label("Who saves this?").fill("M2")
    form(page).get_by_role("button", name="Save").click()
    expect(form(page)).to_have_count(0)


def test_a_destination_by_its_own_settings(station: Daemon, person: BrowserContext) -> None:
    """The form has what the kind needs first and says what is wrong at its field; once saved it delivers."""
    page = opened(person, station.address, "setup")
    add(page, "CSV file or files", "by-day")
    form(page).get_by_label("File or folder").fill("bores-{day}.csv")
    form(page).get_by_label("A file for each").select_option(label="day")
    form(page).get_by_text("More that can be said").click()
    form(page).get_by_label("Between cells").select_option(label=";")
    form(page).get_by_role("checkbox", name="reading", exact=True).check()
    assert Axe().run(page).response["violations"] == []
    save(page)
    expect(page.get_by_role("row", name="by-day")).to_contain_text("bores-{day}.csv")
    table = station.get("/station/file")["tables"]["destinations"]["by-day"]
    assert table == {
        "kind": "csv_file", "kinds": ["reading"], "path": "bores-{day}.csv", "file_by": "day", "delimiter": ";",
    }  # fmt: skip
    assert "by-day" in {each["destination"] for each in station.get("/destinations")["destinations"]}
    add(page, "MQTT broker", "broker")
    page.keyboard.press("Enter")
    host = form(page).get_by_label("Name or address of the computer (needed)")
    expect(host).to_have_attribute("aria-invalid", "true")
    host.fill("broker.example")
    page.keyboard.press("Enter")
    expect(form(page)).to_contain_text("allow_plain_mqtt")
    form(page).get_by_label("Encrypted (TLS)").select_option(label="yes")
    save(page)
    assert station.get("/station/file")["tables"]["destinations"]["broker"] == {
        "kind": "mqtt", "host": "broker.example", "tls": True,
    }  # fmt: skip
    page.get_by_role("button", name="Change broker").click()
    form(page).get_by_text("More that can be said").first.wait_for()
    form(page).get_by_label("Port", exact=True).fill("8884")
    save(page)
    assert station.get("/station/file")["tables"]["destinations"]["broker"]["port"] == 8884


def test_a_list_of_tables_of_a_destination(station: Daemon, person: BrowserContext) -> None:
    """What a workbook is filled with is a list of tables, each with fields of its own."""
    page = opened(person, station.address, "setup")
    add(page, "workbook of a spreadsheet", "sheet-2")
    form(page).get_by_label("File (needed)").fill("inspection.xlsx")
    form(page).get_by_role("button", name="Add one more").click()
    first = form(page).get_by_role("group", name="What is filled in 1")
    first.get_by_label("Characteristic (needed)").fill("A")
    first.get_by_label("Cells of the value", exact=True).fill("B2:B20")
    form(page).get_by_text("More that can be said").click()
    form(page).get_by_label("Cells of the pieces").fill("A2:A20")
    save(page)
    table = station.get("/station/file")["tables"]["destinations"]["sheet-2"]
    assert table["fill"] == [{"characteristic": "A", "value": "B2:B20"}]
    assert table["pieces"] == "A2:A20"


def test_a_strangers_destination_has_its_form(
    station: Daemon, far: PickySide, person: BrowserContext
) -> None:
    """A kind that another distribution brings is offered under its own name, with its own settings."""
    page = opened(person, station.address, "setup")
    add(page, "picky", "charts")
    form(page).get_by_label("folder (needed)").fill(str(far.folder))
    save(page)
    expect(page.get_by_role("row", name="charts")).to_be_visible()
    assert "charts" in {each["destination"] for each in station.get("/destinations")["destinations"]}


def test_when_a_lot_asks_for_checks(station: Daemon, person: BrowserContext) -> None:
    """The choice is looked over, saved under a name and in force; the lot in hand is said from here too."""
    page = opened(person, station.address, "setup")
    lots = page.get_by_role("region", name="Lots")
    expect(lots).to_contain_text("between two lots")
    lots.get_by_role("button", name="Change the checks of a lot").click()
    form(page).get_by_label("at both ends of each lot").check()
    form(page).get_by_role("button", name="Look it over").click()
    expect(form(page).locator(".review")).to_contain_text("lot checks changed")
    assert Axe().run(page).response["violations"] == []
    form(page).get_by_label("Who saves this?").fill("M2")
    form(page).get_by_role("button", name="Save").click()
    expect(lots).to_contain_text("at both ends of each lot")
    assert station.get("/station/file")["tables"]["station"]["lot_checks"] == ["opening", "closing"]
    lots.get_by_role("button", name="Say which lot is in hand").click()
    form(page).get_by_label("Lot").fill("L-0311")
    page.keyboard.press("Enter")
    expect(lots).to_contain_text("L-0311")


def test_people_are_added_by_an_administrator(station: Daemon, person: BrowserContext) -> None:
    """Where nobody signs in it is said how that begins; an administrator adds, changes and revokes people here."""
    page = opened(person, station.address, "setup")
    people = page.get_by_role("region", name="People")
    expect(people).to_contain_text("gaugepost access add M1 --role administrator --station")
    command = people.locator("pre").inner_text().split()
    added = subprocess.run(
        [sys.executable, "-m", *command],
        input=f"{PIN}\n{PIN}\n",
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert added.returncode == 0, added.stderr
    page.reload()
    expect(people).to_contain_text("An administrator signs in")
    expect(page.get_by_role("button", name="Add a master")).to_have_count(0)
    page.get_by_role("main").get_by_role("link", name="Sign in").click()
    page.locator("input[name=id]").fill("M1")
    page.locator("input[name=pin]").fill(PIN)
    page.keyboard.press("Enter")
    people.get_by_role("button", name="Add somebody").click()
    form(page).get_by_label("Id", exact=True).fill("M2")
    form(page).get_by_label("also set the station up").check()
    form(page).get_by_label("PIN", exact=True).fill(OTHER_PIN)
    form(page).get_by_label("The PIN once more").fill(OTHER_PIN + "1")
    form(page).get_by_role("button", name="Save").click()
    wrong = form(page).get_by_label("The PIN once more").evaluate("each => each.validationMessage")
    assert wrong == "The two PINs are not the same: type both again."
    assert Axe().run(page).response["violations"] == []
    form(page).get_by_label("The PIN once more").fill(OTHER_PIN)
    form(page).get_by_role("button", name="Save").click()
    row = people.get_by_role("row", name="M2")
    expect(row).to_contain_text("setter")
    people.get_by_role("button", name="Change M2").click()
    form(page).get_by_label("measure, master and check").check()
    form(page).get_by_label("Name in print").fill("Mara Example")
    form(page).get_by_role("button", name="Save").click()
    expect(row).to_contain_text("operator")
    expect(row).to_contain_text("Mara Example")
    people.get_by_role("button", name="Revoke M1").click()
    form(page).get_by_role("button", name="Revoke", exact=True).click()
    expect(form(page)).to_contain_text("M1 is the only administrator")
    page.keyboard.press("Escape")
    people.get_by_role("button", name="Revoke M2").click()
    form(page).get_by_role("button", name="Revoke", exact=True).click()
    expect(row).to_contain_text("may sign in no more")
    assert OTHER_PIN not in page.content()
    page.get_by_role("button", name="Add a master").click()
    form(page).get_by_label("Name (needed)").fill("ring-2")
    form(page).get_by_label("Calibrated size").fill("40 mm")
    page.keyboard.press("Enter")
    expect(form(page).get_by_label("Who saves this?")).to_have_count(0)
    form(page).get_by_role("button", name="Save").click()
    expect(page.get_by_role("row", name="ring-2")).to_be_visible()
    assert list(station.records(kind="set-up"))[-1]["operator"] == "M1"
