"""A gauge is found, described, taught and bound at the page, from a station file that has nothing but its name."""

from __future__ import annotations

import re
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect

from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.machine import Machine
from tests.page.bench import FAILED, WAIT_MS, opened
from tests.page.test_every_screen import held

pytestmark = pytest.mark.attack
expect.set_options(timeout=WAIT_MS)

EMPTY = '[station]\nname = "new bench"\ntime_zone = "UTC"\n'


@pytest.fixture
def machine() -> Iterator[Machine]:
    """A machine with a serial adapter and a gauge that types."""
    made = Machine()
    made.do("plug", "ttyUSB7")
    made.do("plug", "event5")
    yield made
    made.close()


def listens_at(page: Page, port: str) -> None:
    """Listen to a port that no list shows."""
    page.locator("summary", has_text=re.compile("not in the list|nicht in der Liste")).click()
    page.locator("input[name=port]").fill(port)
    page.locator("input[name=port]").press("Enter")
    page.wait_for_selector(".find-now")


def names(page: Page, name: str) -> None:
    """Say what has to be known of the gauge, and wait until the page shows what that changes."""
    page.locator("input[name=name]").fill(name)
    page.locator("input[value=three-point]").check()
    page.locator("input[name=operator]").fill("M1")
    expect(page.locator(".find-changes > ul > li")).to_have_count(2)


def types(page: Page, shows: str, count: int) -> None:
    """Type what the display shows, and wait until that is a measurement."""
    page.locator("input[name=shows]").fill(shows)
    page.locator("input[name=shows]").press("Enter")
    expect(page.locator(".teach-evidence tbody tr")).to_have_count(count)


def station(daemon: Daemon) -> dict[str, dict[str, dict[str, Any]]]:
    """Return what the station file says now."""
    return tomllib.loads((daemon.folder / "station.toml").read_text())


def test_a_gauge_is_found_and_bound(machine: Machine, tmp_path: Path, person: BrowserContext) -> None:
    """From a station that has only a name: found by its adapter, read as its display shows, bound and measuring."""
    with Daemon(tmp_path, EMPTY, env=machine.env) as daemon:
        page = opened(person, daemon.address)
        page.get_by_role("link", name="Find a gauge").click()
        expect(page.locator(".find-device")).to_have_count(2)
        expect(page.locator(".find-device", has_text="types like a keyboard")).to_contain_text("Never choose")
        page.get_by_role("button", name="Listen to it: Bench Adapter").click()
        expect(page.locator(".find-now")).to_contain_text("Press the gauge's button")
        machine.send("ttyUSB7", b"38.014\r\n")
        expect(page.locator(".find-came")).to_contain_text("33 38 2E 30 31 34 0D 0A")
        expect(page.locator(".find-fit")).to_have_text([re.compile("38.014 mm"), re.compile("38.014 in")])
        assert page.locator(".find-fit :checked").count() == 0, "which unit it is nobody has said yet"
        page.get_by_role("radio", name="38.014 mm").check()
        page.locator("input[name=name]").fill("bore 38")
        page.locator("input[value=three-point]").check()
        page.locator(".find-bind button.main").click()
        assert page.locator("input[name=name]:invalid").count() == 1
        limit = page.locator("input[name=check_limit]")
        suggested = limit.input_value()
        page.locator("input[name=name]").fill("bore-38")
        limit.fill("0,002 mm")
        expect(page.locator(".find-bind .problem")).to_have_text(
            "How far a check on its ring may be off: '0,002 mm' has a comma; "
            "write the decimal mark as a point, and no other marks"
        )
        expect(limit).to_have_attribute("aria-invalid", "true")
        limit.fill(suggested)
        names(page, "bore-38")
        page.get_by_role("button", name="Save, then set up its master").click()
        expect(page.get_by_role("dialog", name="Add a master")).to_be_visible()
        page.keyboard.press("Escape")
        said = station(daemon)
        assert said["links"]["bore-38-link"]["usb"] == "1a2b:0c0f:B9"
        assert said["gauges"]["bore-38"]["resolution"] == "0.001 mm"
        page.get_by_role("link", name="Gauges").first.click()
        card = page.get_by_role("region", name="bore-38")
        expect(card).to_contain_text("bore-38-link: connected")
        machine.send("ttyUSB7", b"38.015\r\n")
        expect(card).to_contain_text("33 38 2E 30 31 35 0D 0A")


def test_a_gauge_is_taught_though_it_is_pulled_out_meanwhile(tmp_path: Path, person: BrowserContext) -> None:
    """What is not decided is said, slips are taken back, a pulled cable forgets nothing; decided, it is bound."""
    with Port() as gauge, Daemon(tmp_path, EMPTY) as daemon:
        page = opened(person, daemon.address, "find")
        listens_at(page, gauge.path)
        gauge.send(b"?\r")
        expect(page.locator(".find-came tbody tr")).to_have_count(1)
        page.get_by_role("button", name="Leave out what came so far").click()
        expect(page.get_by_role("button", name="Leave out what came so far")).to_be_hidden()
        gauge.send(b"AB12345 7\r")
        expect(page.locator(".find-came tbody tr")).to_have_count(2)
        expect(
            page.locator("section", has_text="No description here reads all that came").last
        ).to_be_visible()
        page.get_by_role("button", name="None of these: teach it").click()
        types(page, "12.345 mm", 1)
        expect(page.locator(".teach-word")).to_have_text("Not decided yet")
        expect(page.locator(".teach-next")).to_contain_text("another value")
        page.locator("input[name=shows]").fill("3.000 mm")
        page.locator("input[name=shows]").press("Enter")
        expect(page.locator(".find-teach .problem")).to_contain_text("nothing came from the gauge")
        gauge.unplug()
        expect(page.locator(".find-now .problem")).to_be_visible()
        gauge.plug()
        expect(page.locator(".find-now")).to_have_text("It sends. This came last:")
        expect(page.locator(".teach-evidence tbody tr")).to_have_count(1)
        gauge.send(b"noise\r")
        page.get_by_role("button", name="What came last belongs to no measurement").click()
        expect(page.locator(".find-teach")).to_contain_text("Nothing came since")
        for count, (sent, shows) in enumerate(
            ((b"AB07891 7\r", "7.981 mm"), (b"AB20006 7\r", "20.006 mm")), 2
        ):
            gauge.send(sent)
            expect(page.locator(".find-teach")).to_contain_text("Something came: type")
            types(page, shows, count)
        expect(page.locator(".teach-word")).to_have_text("Not decided yet")
        page.get_by_role("button", name="Take measurement 2 back").last.click()
        expect(page.locator(".teach-evidence tbody tr")).to_have_count(2)
        for count, (sent, shows) in enumerate(
            ((b"AB07891 7\r", "7.891 mm"), (b"AB00543 7\r", "0.543 mm")), 3
        ):
            gauge.send(sent)
            expect(page.locator(".find-teach")).to_contain_text("Something came: type")
            types(page, shows, count)
        expect(page.locator(".teach-word")).to_have_text("Decided: this can't be a coincidence")
        assert page.locator(".teach-bytes mark").first.inner_text()
        page.reload()
        expect(page.locator(".teach-word")).to_have_text("Decided: this can't be a coincidence")
        expect(page.get_by_role("radio", name=re.compile("0.543 mm"))).to_be_checked()
        with page.expect_download() as kept:
            page.get_by_role("link", name="Keep the description as a file").click()
        assert tomllib.loads(kept.value.path().read_text())["kind"]
        names(page, "depth-1")
        page.get_by_role("button", name="Save, then set up its master").click()
        expect(page.get_by_role("dialog", name="Add a master")).to_be_visible()
        gauge.send(b"AB38014 7\r")
        (reading,) = daemon.wait_for(1, kind="reading")
        assert (reading["gauge"], reading["value_mm"]) == ("depth-1", "38.014")


def _late(route: Route) -> None:
    """A service that takes its time: what was typed just before is looked over while the lesson is ended."""
    if route.request.method in ("DELETE", "GET"):
        time.sleep(1)
    route.continue_()


def test_a_gauge_of_the_station_is_described_anew(tmp_path: Path, person: BrowserContext) -> None:
    """A link of the station is lent and its gauge said to be away; only how it is read is otherwise after."""
    with Port() as gauge, Daemon(tmp_path, station_file([gauge])) as daemon:
        page = opened(person, daemon.address, "find")
        page.locator("summary", has_text="Other links of this station").click()
        page.get_by_role("button", name="Listen to it anew: usb-0").click()
        expect(page.locator(".find")).to_contain_text("Away meanwhile: g0")
        page.get_by_role("link", name="Gauges").click()
        expect(page.get_by_role("region", name="g0")).to_contain_text("lent to a lesson")
        page.get_by_role("link", name="Find a gauge").click()
        page.get_by_role("button", name="Go on with it").click()
        page.wait_for_selector(".find-now")
        gauge.send(b"38,014 MM\r\n")
        expect(page.locator(".find-fit")).to_have_count(1)
        expect(page.locator(".find-bind")).to_contain_text("g0 is on link usb-0 already")
        expect(page.locator(".find-changes > ul > li")).to_have_count(1)
        page.locator("input[name=operator]").fill("M")
        page.route("**/v1/lessons/*", _late)
        page.route("**/v1/station/file", _late)
        page.locator("input[name=operator]").fill("M1")
        page.get_by_role("button", name="Save and use it").click()
        expect(page.get_by_role("heading", name="g0 is bound")).to_be_visible()
        assert station(daemon)["links"]["usb-0"]["decoder"]["units"] == {"MM": "mm", "IN": "in"}
        gauge.send(b"38,015 MM\r\n")
        assert daemon.wait_for(1, kind="reading")[0]["value_mm"] == "38.015"


def test_a_gauge_that_waits_to_be_asked(tmp_path: Path, person: BrowserContext) -> None:
    """Nothing comes by itself: asked as was typed, it answers, and the station asks it so from then on."""
    with Port() as gauge, Daemon(tmp_path, EMPTY) as daemon:
        page = opened(person, daemon.address, "find")
        listens_at(page, gauge.path)
        page.locator(".find-line summary").click()
        page.get_by_label("Find it out by trying").check()
        page.get_by_role("button", name="Listen so").click()
        expect(page.locator(".find .problem").first).to_contain_text("no line that can be probed")
        listens_at(page, gauge.path)
        page.locator(".find-line summary").click()
        page.get_by_label("What asks it").fill("D\\r")
        page.get_by_role("button", name="Listen so").click()
        page.get_by_role("button", name="Ask it for its value").click()
        assert gauge.received(2) == b"D\r"
        gauge.send(b"7.250 mm\r\n")
        expect(page.locator(".find-fit")).to_have_count(1)
        names(page, "depth-1")
        page.locator(".find-bind button.main").click()
        expect(page.get_by_role("dialog", name="Add a master")).to_be_visible()
        assert station(daemon)["links"]["depth-1-link"]["decoder"]["request"] == "D\r"
        while not daemon.get("/gauges/depth-1")["connected"]:
            time.sleep(0.05)
        daemon.post("/gauges/depth-1/request", {})
        assert gauge.received(2) == b"D\r"


def test_no_gauge_of_the_station_is_overwritten(tmp_path: Path, person: BrowserContext) -> None:
    """A name that is taken is refused before anything is sent, and a link's name beside it is one that is free."""
    with Port() as own, Port() as gauge, Daemon(tmp_path, station_file([own])) as daemon:
        taken = {"kind": "serial_port", "device": "/dev/x", "decoder": {"kind": "code_text"}}
        digest = daemon.get("/station/file")["sha256"]
        daemon.post("/station/file", {"change": {"links": {"g1-link": taken}}, "sha256": digest}, "PATCH")
        assert daemon.status == 200
        page = opened(person, daemon.address, "find")
        listens_at(page, gauge.path)
        gauge.send(b"7.250 mm\r\n")
        expect(page.locator(".find-fit")).to_have_count(1)
        page.locator("input[name=name]").fill("g0")
        page.locator("input[value=three-point]").check()
        page.locator("input[name=operator]").fill("M1")
        expect(page.locator(".find-bind .problem")).to_contain_text("There is one of this name already")
        page.locator(".find-bind button.main").click()
        names(page, "g1")
        page.get_by_role("button", name="Save and use it").click()
        expect(page.get_by_role("heading", name="g1 is bound")).to_be_visible()
        said = station(daemon)
        assert (said["gauges"]["g0"]["link"], said["gauges"]["g1"]["link"]) == ("usb-0", "g1-link-2")
        assert said["links"]["g1-link"]["device"] == "/dev/x"


def test_a_lesson_that_ended_leads_back_to_the_list(tmp_path: Path, person: BrowserContext) -> None:
    """Whoever comes back to a lesson that is over is told so, and chooses again."""
    with Port() as gauge, Daemon(tmp_path, EMPTY) as daemon:
        page = opened(person, daemon.address, "find")
        listens_at(page, gauge.path)
        lesson = page.url.rpartition("/")[2]
        daemon.post(f"/lessons/{lesson}", {}, "DELETE")
        expect(page.locator(".find .problem").first).to_contain_text("that lesson is over")
        page.goto(f"{daemon.address}/#find/{lesson}")
        expect(page.get_by_role("heading", name="Which device is the gauge?")).to_be_visible()
        page.locator("summary", has_text="not in the list").click()
        page.locator("input[name=port]").fill("/dev/no-such-port")
        page.locator("input[name=port]").press("Enter")
        expect(page.locator(".find .problem").first).to_contain_text("/dev/no-such-port")


@pytest.mark.parametrize(("width", "locale"), [(1280, "de-DE"), (390, "en-GB")])
def test_nothing_keeps_a_person_out_of_finding_and_teaching(
    machine: Machine, tmp_path: Path, chromium: Browser, width: int, locale: str
) -> None:
    """At every step, in both languages and on a phone, axe-core finds no violation and nothing is cut off."""
    FAILED.clear()
    context = chromium.new_context(
        viewport={"width": width, "height": 800}, locale=locale, reduced_motion="reduce"
    )
    context.set_default_timeout(WAIT_MS)
    with Daemon(tmp_path, EMPTY, env=machine.env) as daemon:
        page = opened(context, daemon.address, "find")

        def step(name: str) -> None:
            held(page, f"find-{name}-{width}")
            wide = page.evaluate(
                "document.documentElement.scrollWidth - document.documentElement.clientWidth"
            )
            assert wide <= 0, name

        page.wait_for_selector(".find-device")
        for summary in page.locator("summary:visible").all():
            summary.click()
        step("devices")
        page.locator(".find-device button").first.click()
        page.wait_for_selector(".find-now")
        page.locator(".find-line summary").click()
        step("listening")
        machine.send("ttyUSB7", b"38.014\r\n")
        page.locator(".find-fit input").first.check()
        names(page, "bore-38")
        step("binding")
        page.locator(".find-side > .sheet .doing button").last.click()
        types(page, "38.014 mm", 1)
        page.wait_for_selector(".teach-word")
        step("teaching")
        page.locator(".find-bind button").last.click()
        page.wait_for_selector(".setup-form")
        step("bound")
    context.close()
    assert FAILED == []


def test_who_may_not_set_up_is_told_before_anything_is_tried(
    machine: Machine, tmp_path: Path, person: BrowserContext
) -> None:
    """With people, whoever is not signed in sees what is plugged in, and how to come to more; nothing is opened."""
    with Daemon(tmp_path, EMPTY, env=machine.env) as daemon:
        words = ["access", "add", "M7", "--role", "operator", "--station", "station.toml"]
        subprocess.run(
            [sys.executable, "-m", "gaugepost", *words],
            cwd=tmp_path, input="481516\n481516\n", capture_output=True, text=True, timeout=60, check=True,
        )  # fmt: skip
        page = opened(person, daemon.address, "find")
        expect(page.locator(".find-device")).to_have_count(2)
        expect(page.locator(".find > .sheet").get_by_role("link", name="Sign in")).to_be_visible()
        page.get_by_role("button", name="Listen to it: Bench Adapter").click()
        expect(page.locator(".find .problem")).to_contain_text("signed in")
        assert daemon.get("/lessons")["lessons"] == []


def test_by_keyboard_alone(machine: Machine, tmp_path: Path, person: BrowserContext) -> None:
    """Without a mouse: Tab reaches what is next, Space and arrows choose, Enter goes on; what comes takes no focus."""
    with Daemon(tmp_path, EMPTY, env=machine.env) as daemon:
        page = opened(person, daemon.address, "find")
        page.wait_for_selector(".find-device")

        def tab_to(what: str) -> None:
            for _ in range(40):
                page.keyboard.press("Tab")
                if page.evaluate("what => document.activeElement.matches(what)", what):
                    return
            raise AssertionError(f"no Tab leads to {what}")

        tab_to(".find-device button")
        page.keyboard.press("Enter")
        expect(page.locator(".find h2").first).to_be_focused()
        machine.send("ttyUSB7", b"38.014\r\n")
        expect(page.locator(".find-fit")).to_have_count(2)
        tab_to(".find-fit input")
        page.keyboard.press("Space")
        tab_to("input[name=name]")
        page.keyboard.type("bore-38")
        tab_to("input[name=contact]")
        page.keyboard.press("ArrowDown")
        expect(page.locator("input[value=two-point]")).to_be_checked()
        tab_to("input[name=operator]")
        page.keyboard.type("M1")
        machine.send("ttyUSB7", b"38.015\r\n")
        expect(page.locator(".find-says").first).to_have_text("38.015 mm")
        expect(page.locator("input[name=operator]")).to_be_focused()
        page.keyboard.press("Enter")
        expect(page.get_by_role("dialog", name="Add a master")).to_be_visible()
        assert station(daemon)["gauges"]["bore-38"]["contact"] == "two-point"
