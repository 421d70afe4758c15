"""What the tests of setting up share: a station with little in it, the open form, and an edit by somebody else."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Locator, Page

from tests.bench_tools.daemon import Daemon, Port, station_file

ONLY_A_STATION = '# bench by the window\n[station]\nname = "pump bench"\ntime_zone = "UTC"\n'
GAUGE = """
[links.usb-0]
kind = "serial_port"
device = "{device}"
[links.usb-0.decoder]
kind = "delimited_text"
pattern = "{{value}} {{unit}}"
units = {{ mm = "mm" }}

[gauges.bore-38]
link = "usb-0"
contact = "three-point"
display = "absolute"
check_limit = "4 µm"
"""


@pytest.fixture
def port() -> Iterator[Port]:
    """Yield a gauge's connection."""
    with Port() as made:
        yield made


@pytest.fixture
def bare(tmp_path: Path, port: Port) -> Iterator[Daemon]:
    """Yield a station with one gauge and nothing to measure."""
    with Daemon(tmp_path, ONLY_A_STATION + GAUGE.format(device=port.path)) as daemon:
        yield daemon


@pytest.fixture
def filled(tmp_path: Path, port: Port) -> Iterator[Daemon]:
    """Yield a station with a gauge, a master and a characteristic."""
    with Daemon(tmp_path, station_file([port])) as daemon:
        yield daemon


def text_of(daemon: Daemon) -> str:
    """Return what the station file says."""
    return str(daemon.get("/station/file")["text"])


def edit(daemon: Daemon, change: dict[str, object]) -> None:
    """Edit the station file as another program or person does."""
    body = {"change": change, "sha256": daemon.get("/station/file")["sha256"], "operator": "M9"}
    answer = daemon.post("/station/file", body, "PATCH")
    assert daemon.status == 200, answer


def form(page: Page) -> Locator:
    """Return the open form."""
    return page.get_by_role("dialog")


def at(page: Page, role: str, name: str) -> None:
    """Go on by Tab until what has the focus is of this role and name; fail after a whole round."""
    wanted = page.get_by_role(role, name=name, exact=True)  # type: ignore[arg-type]  # any role
    for _ in range(120):
        page.keyboard.press("Tab")
        if wanted.evaluate_all("all => all.includes(document.activeElement)"):
            return
    raise AssertionError(f"no Tab leads to {role} {name}")
