"""What the link to a gauge with reports of its own promises: the kit, its filter, and its words when it is gone."""

import asyncio
import hashlib
import os
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from pydantic import ValidationError

from gaugepost.contract import Chunk, Link, LinkLost, Moment
from gaugepost.contract.kit import links
from gaugepost_adapters.links import device_files
from gaugepost_adapters.links.hid import opening
from gaugepost_adapters.links.hid.link import HidReportLink
from gaugepost_adapters.links.hid.settings import Settings
from tests.bench_tools.far_sides import Hands
from tests.contract.test_hid_usage import LENGTH

USB = "1a2b:0c0d:B7"
REPORT = 64


class Gauge(Hands):
    """The gauge's end of a socket that keeps each report's edges, as the kernel's device file does."""

    def __init__(self) -> None:
        self._mine, self.theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        super().__init__(self._mine.fileno())

    async def say(self, data: bytes) -> None:
        """Send `data` in reports of `REPORT` bytes, the last one shorter."""
        for at in range(0, len(data), REPORT):
            await super().say(data[at : at + REPORT])

    async def leave(self) -> None:
        """Unplug."""
        self._mine.close()

    def close(self) -> None:
        """Let go of both ends."""
        self._mine.close()
        self.theirs.close()


class Machine:
    """A /sys and a /dev with one HID device, which opens as the gauge's other end."""

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch) -> None:
        self.gauge = Gauge()
        at = folder / "sys" / "class" / "hidraw" / "hidraw3" / "device"
        at.mkdir(parents=True)
        (at / "uevent").write_text(
            "DRIVER=hid-generic\nHID_ID=0003:00001A2B:00000C0D\nHID_NAME=Bench Probe\n"
            "HID_PHYS=usb-0000:00:14.0-2/input0\nHID_UNIQ=B7\n"
        )
        (at / "report_descriptor").write_bytes(LENGTH)
        self.path = folder / "dev" / "hidraw3"
        self.path.parent.mkdir()
        self.path.touch()
        patch.setattr(device_files, "SYS", folder / "sys")
        patch.setattr(device_files, "DEV", folder / "dev")
        patch.setattr(opening, "open_file", self.open)

    def open(self, path: str) -> int:
        """Open the gauge's other end."""
        assert path == str(self.path)
        descriptor = os.dup(self.gauge.theirs.fileno())
        os.set_blocking(descriptor, False)
        return descriptor


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Machine:
    """A machine with a gauge plugged in."""
    return Machine(tmp_path, monkeypatch)


def _link(**given: object) -> HidReportLink:
    return HidReportLink(Settings.model_validate({"usb": USB, **given}), lambda: Moment(0, 0, ""))


async def _chunks(link: HidReportLink, count: int) -> list[Chunk]:
    taken: list[Chunk] = []
    async with asyncio.timeout(60):
        async for chunk in link.chunks():
            taken.append(chunk)
            if len(taken) == count:
                break
    return taken


@pytest.mark.asyncio
async def test_a_hid_device_keeps_the_contract(machine: Machine) -> None:
    """A link of reports keeps every promise of the kit."""
    machine.gauge.close()

    @asynccontextmanager
    async def bench(now: links.Now) -> AsyncIterator[tuple[Link, links.FarSide]]:
        machine.gauge = Gauge()
        link = HidReportLink(Settings(usb=USB), now)
        try:
            yield link, machine.gauge
        finally:
            await link.close()
            machine.gauge.close()

    await links.check_link(bench)


@pytest.mark.asyncio
async def test_reports_keep_their_edges_and_others_are_passed_over(machine: Machine) -> None:
    """Each report is one complete chunk; with a number given, only reports of that number are."""
    link = _link(report=2)
    await link.open()
    for report in (b"\x02first", b"\x01other", b"\x02second"):
        await machine.gauge.say(report)
    got = await _chunks(link, 2)
    await link.close()
    machine.gauge.close()
    assert [(chunk.data, chunk.complete) for chunk in got] == [(b"\x02first", True), (b"\x02second", True)]


@pytest.mark.asyncio
async def test_a_device_that_is_gone_or_changed_is_not_opened(machine: Machine) -> None:
    """What is not there, and what describes its reports otherwise than the station file says, raises `LinkLost`."""
    await links.check_absent(_link(usb="ffff:0001"))
    with pytest.raises(
        LinkLost, match=r"describes its reports otherwise than before; look with `gaugepost devices`"
    ):
        await _link(descriptor="0" * 64).open()
    link = _link(descriptor=hashlib.sha256(LENGTH).hexdigest())
    await link.open()
    assert link.describe() == f"HID device {USB} ({machine.path})"
    await link.close()
    machine.gauge.close()


@pytest.mark.asyncio
async def test_a_device_that_may_not_be_opened_names_the_device_rule(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Permission denied is answered with the rule for this device."""

    def refuse(path: str) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(opening, "open_file", refuse)
    with pytest.raises(LinkLost, match=r'SUBSYSTEM=="hidraw", KERNELS=="\*:1A2B:0C0D\.\*"'):
        await _link().open()
    machine.gauge.close()


def test_present_brings_descriptor_and_usages(machine: Machine) -> None:
    """What is listed can be pasted: the link's settings, the decoder's descriptor, and the usages to choose from."""
    (found,) = HidReportLink.present()
    digest = hashlib.sha256(LENGTH).hexdigest()
    assert dict(found.settings) == {"usb": USB, "descriptor": digest}
    assert dict(found.decoder) == {"kind": "hid_usage", "descriptor": LENGTH.hex()}
    assert found.notes == ('usage "ff00:0003" in report 1, 24 bits, centimetres',)
    machine.gauge.close()


@pytest.mark.parametrize(
    "given", [{}, {"usb": USB, "port": "usb-1"}, {"usb": USB, "report": 0}, {"usb": "1a2b"}]
)
def test_settings_that_cannot_be_are_told_offline(given: dict[str, object]) -> None:
    """Every contradiction is found without a device."""
    with pytest.raises(ValidationError):
        Settings.model_validate(given)
