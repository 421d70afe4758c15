"""deploy/monitoring/board.html in a browser: what it draws of real benches' scrapes, and of what is no scrape."""

from __future__ import annotations

import re
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from tests.bench_tools.ports import free_port
from tests.page.bench import WAIT_MS, Bench

pytestmark = pytest.mark.attack

BOARD = Path(__file__).parents[2] / "deploy" / "monitoring" / "board.html"


@pytest.fixture
def page(chromium: Browser) -> Iterator[Page]:
    """Somebody's browser; what it asks for beside the board's own server is a failure."""
    context = chromium.new_context(locale="en-GB")
    context.set_default_timeout(WAIT_MS)
    yield context.new_page()
    context.close()


def scrape(bench: Bench) -> str:
    """Return what the bench tells."""
    with urllib.request.urlopen(f"{bench.daemon.address}/v1/metrics") as answer:  # noqa: S310
        return str(answer.read().decode())


def text_of(page: Page, bench: str) -> str:
    """Return the row of a bench."""
    row = page.locator("tbody tr").filter(
        has=page.get_by_role("rowheader", name=re.compile(re.escape(bench)))
    )
    expect(row).to_have_count(1)
    return row.inner_text()


def test_the_board_of_a_real_bench(page: Page, at_bench: Bench, tmp_path: Path) -> None:
    """A bench shows by its name with what is behind, due, bad and suspect; one that tells nothing shows, too."""
    port, asked = free_port(), list[str]()
    (tmp_path / "board.html").write_bytes(BOARD.read_bytes())
    (tmp_path / "benches.txt").write_text("# ours\nbench-1.metrics\nbench-2.metrics\nbench-3.metrics\n")
    (tmp_path / "bench-1.metrics").write_text(scrape(at_bench), encoding="utf-8")
    (tmp_path / "bench-3.metrics").write_text(scrape(at_bench).replace("# EOF\n", ""), encoding="utf-8")
    page.on("request", lambda request: asked.append(request.url))
    words = [
        sys.executable,
        "-m",
        "http.server",
        "--bind",
        "127.0.0.1",
        "--directory",
        str(tmp_path),
        str(port),
    ]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env={"PYTHONUNBUFFERED": "1"}
    ) as server:
        try:
            assert server.stdout is not None
            server.stdout.readline()
            page.goto(f"http://127.0.0.1:{port}/board.html")
            said = text_of(page, "housing bench")
            assert re.search(r"check of bore-38 in \d+ (h|min)", said)
            assert re.search(r"bore-port: 0 of \d+", said)
            assert re.search(r"bore-38: \d+ min", said)
            assert said.rstrip().endswith("0"), "nothing is suspect"
            assert "404" in text_of(page, "bench-2.metrics")
            assert "cut off" in text_of(page, "bench-3.metrics")
            expect(page.get_by_role("status")).to_contain_text("3 benches")
            expect(page.get_by_role("status")).to_contain_text(": 2 to look at")
            assert "housing bench" in page.locator("tbody tr").last.inner_text(), "what is well stands last"
            found = Axe().run(page)
            assert found.violations_count == 0, found.generate_report()

            page.set_viewport_size({"width": 390, "height": 844})
            assert page.evaluate("document.documentElement.scrollWidth") <= 390, "a phone shows all of it"
            expect(page.locator("tbody tr").last).to_contain_text("housing bench")
            found = Axe().run(page)
            assert found.violations_count == 0, found.generate_report()
            page.set_viewport_size({"width": 1280, "height": 800})

            at_bench.bore.send(b"rubbish\r\n")
            at_bench.daemon.wait_for(1, kind="bad-frame")
            at_bench.show("38.0100")
            at_bench.daemon.post("/gauges/bore-38/suspect", {"reason": "it fell", "operator": "M2"})
            (tmp_path / "bench-1.metrics").write_text(scrape(at_bench), encoding="utf-8")
            page.reload()
            said = text_of(page, "housing bench")
            assert re.search(r"bore-port: 1 of \d+", said)
            expect(page.get_by_role("status")).to_contain_text(": 3 to look at")
            assert page.locator("tbody tr").first.locator("td").last.inner_text().strip() == "1"
            assert page.locator("tbody tr").first.locator("td").last.locator(".wrong").count() == 1
        finally:
            server.terminate()
    assert all(url.startswith(f"http://127.0.0.1:{port}/") for url in asked)


def test_names_are_data_and_scrapes_can_be_chosen(page: Page, tmp_path: Path) -> None:
    """Opened as a file it takes recorded scrapes; whatever stands in a name is shown as text, and old news as old."""
    told = (
        "# TYPE gaugepost_build info\n"
        'gaugepost_build_info{version="1",station="<img src=x onerror=alert(1)> \\"A\\\\B\\""} 1\n'
        'gaugepost_recording 0\ngaugepost_delivery_lag{destination="sheet"} 2500\n'
        'gaugepost_check_due_seconds{gauge="bore, {38}"} 0\n'
        'gaugepost_calibration_due_seconds{master="ring-38"} -172800\n'
        'gaugepost_delivery_refused{destination="sheet"} 3\ngaugepost_gauge_judged{gauge="g"} 0\n# EOF\n'
    )
    (tmp_path / "one.metrics").write_text(told, encoding="utf-8")
    page.goto(BOARD.as_uri())
    expect(page.get_by_role("status")).to_contain_text("choose recorded scrapes")
    page.get_by_label("Recorded scrapes").set_input_files(str(tmp_path / "one.metrics"))
    said = text_of(page, "<img src=x")
    shown = (
        '<img src=x onerror=alert(1)> "A\\B"',
        "not recording",
        "sheet: 2500",
        "sheet refused 3",
        "check of bore, {38} is due",
        "calibration of ring-38 over for 2 d",
        "g gets no verdict",
    )
    for text in shown:
        assert text in said
    assert page.locator("img").count() == 0


def test_the_board_asks_for_what_is_told(at_bench: Bench) -> None:
    """Every metric that the board reads is one that the service tells."""
    families = set(re.findall(r"^# TYPE (\S+)", scrape(at_bench), re.MULTILINE))
    asked = set(re.findall(r'"(gaugepost_\w+)"', BOARD.read_text(encoding="utf-8")))
    assert len(asked) > 8
    assert {re.sub(r"_(total|info)$", "", name) for name in asked} <= families
