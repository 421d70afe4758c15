"""`gaugepost teach` without a wire and without a port: by radio, at a keyboard wedge, and by HID reports."""

from __future__ import annotations

import errno
import tomllib
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest

from gaugepost.contract import Chunk, Indication, Moment
from gaugepost.edge.plugins import DECODERS, find
from tests.bench_tools.bluetooth.aside import bench_aside
from tests.bench_tools.bluetooth.bench import VALUES, Bench, gauge
from tests.bench_tools.bluetooth.peripheral import Characteristic, Peripheral
from tests.bench_tools.machine import Machine
from tests.bench_tools.pupil import Pupil
from tests.contract.test_hid_usage import LENGTH
from tests.contract.test_wedge_daemon import GRAB

STATUS = "0000c003-5e00-4000-8000-0053b0de0001"
FRAMES = (("12.345 mm", b"+0012.345 mm"), ("7.891 mm", b"+0007.891 mm"), ("-3.072 mm", b"-0003.072 mm"))


def reads(description: Path, chunk: Chunk) -> Indication:
    """What the real decoder makes of a chunk under a written description."""
    told = tomllib.loads(description.read_text(encoding="utf-8"))
    decoder = find(DECODERS, told.pop("kind"))
    (event,) = decoder(decoder.Settings.model_validate(told)).feed(chunk)
    assert isinstance(event, Indication)
    return event


def test_a_gauge_by_radio_is_taught_by_all_that_it_notifies(tmp_path: Path) -> None:
    """Nobody says which characteristic the values come from: it is found, another that counts on is not taken for it,
    and a gauge that goes out of range comes back into the same lesson."""
    own = gauge(more={"c010": [Characteristic(STATUS, ("notify",))]})
    with bench_aside() as aside:
        aside.bench.place(own)
        pupil = Pupil(
            "bluetooth_le", f"address={own.address}", "--write", str(tmp_path / "bore"),
            env={"DBUS_SYSTEM_BUS_ADDRESS": aside.bench.bus.address},
        )  # fmt: skip
        try:
            for number, (shows, frame) in enumerate(FRAMES, 1):
                pupil.until(f"shows ({number}): ")
                if number == 2:
                    aside.do(_drop(aside.bench, own))
                    pupil.until("connected again")
                    aside.wait_until(STATUS)
                aside.do(aside.bench.say(own, bytes([number, 0x10 + number, 3]), uuid=STATUS))
                aside.do(aside.bench.say(own, frame))
                pupil.until(f"came: channel {VALUES}")
                pupil.types(shows)
            code, out, said = pupil.end()
        finally:
            pupil.close()
    assert code == 0, said
    assert VALUES in out
    chunk = Chunk(b"+0098.706 mm", Moment(0, 0, ""), VALUES, complete=True)
    assert reads(tmp_path / "bore.toml", chunk).value == Decimal("98.706")


async def _drop(bench: Bench, own: Peripheral) -> None:
    bench.service.drop(own)


@pytest.fixture
def machine() -> Iterator[Machine]:
    """A machine with nothing plugged in."""
    machine = Machine()
    yield machine
    machine.close()


@pytest.mark.attack
def test_a_gauge_that_types_is_taught(machine: Machine, tmp_path: Path) -> None:
    """A keyboard wedge's digits become a description, and nobody else got its keys meanwhile."""
    machine.do("plug", "event5")
    words = ("keyboard_wedge", "usb=1a2b:0c0d:B7", "layout=german", "--write", str(tmp_path / "bore"))
    pupil = Pupil(*words, env=machine.env)
    try:
        for number, shows in enumerate(("12,345 mm", "7,891 mm", "40,268 mm"), 1):
            pupil.until(f"shows ({number}): ")
            machine.type("event5", shows.removesuffix(" mm"))
            pupil.until("came:")
            pupil.types(shows)
            if number == 1:
                assert machine.run("-c", GRAB, "/dev/input/event5").returncode == errno.EBUSY
        code, _, said = pupil.end()
    finally:
        pupil.close()
    assert code == 0, said
    chunk = Chunk(b"98,706", Moment(0, 0, ""), complete=True)
    assert reads(tmp_path / "bore.toml", chunk).value == Decimal("98.706")


@pytest.mark.attack
def test_a_gauge_that_sends_reports_is_taught_by_its_own_descriptor(machine: Machine, tmp_path: Path) -> None:
    """The report descriptor that the gauge itself tells is enough, with a few values, to know usage and scale."""
    machine.do("plug", "hidraw3", descriptor=LENGTH.hex())
    words = ("hid_report", "usb=1a2b:0c0e:B8", "report=1", "--write", str(tmp_path / "probe"))
    pupil = Pupil(*words, env=machine.env)
    try:
        for number, logical in enumerate((123456, 78912, -30721), 1):
            pupil.until(f"shows ({number}): ")
            report = b"\x01\x00" + logical.to_bytes(3, "little", signed=True)
            machine.do("type", "hidraw3", bytes=report.hex())
            pupil.until("came:")
            pupil.types(f"{logical / 10_000:.4f} mm")
        code, _, said = pupil.end()
    finally:
        pupil.close()
    assert code == 0, said
    report = b"\x01\x00" + (-987063).to_bytes(3, "little", signed=True)
    chunk = Chunk(report, Moment(0, 0, ""), complete=True)
    assert reads(tmp_path / "probe.toml", chunk).value == Decimal("-98.7063")
