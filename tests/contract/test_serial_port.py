"""What the serial link promises beyond the kit: its settings, and its words when a port refuses, sticks or goes."""

import asyncio
import os
import subprocess
import sys
import termios
import threading
import time
from decimal import Decimal
from pathlib import Path

import pytest
from pydantic import ValidationError

from gaugepost.contract import BadFrame, Chunk, Indication, LinkLost, Moment
from gaugepost_adapters.decoders.delimited_text import DelimitedText
from gaugepost_adapters.links import inbox
from gaugepost_adapters.links.serial import traffic as serial_traffic
from gaugepost_adapters.links.serial.opening import close_port, open_port
from gaugepost_adapters.links.serial.port import SerialPortLink
from gaugepost_adapters.links.serial.settings import Settings
from tests.bench_tools.far_sides import Pty
from tests.bench_tools.nobody import nobody


def _now() -> Moment:
    return Moment(0, 0, "")


def _link(**settings: object) -> SerialPortLink:
    return SerialPortLink(Settings.model_validate(settings), _now)


async def _take(link: SerialPortLink, count: int) -> bytes:
    taken = bytearray()
    async with asyncio.timeout(60):
        async for chunk in link.chunks():
            taken += chunk.data
            if len(taken) >= count:
                break
    return bytes(taken)


def _have_damage_pass(path: str) -> None:
    """Set a port as the library does."""
    descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    attributes = termios.tcgetattr(descriptor)
    attributes[0] &= ~termios.INPCK
    termios.tcsetattr(descriptor, termios.TCSANOW, attributes)
    os.close(descriptor)


async def _lost(link: SerialPortLink) -> LinkLost:
    with pytest.raises(LinkLost) as caught:
        await link.open()
    return caught.value


@pytest.mark.parametrize(
    ("settings", "word"),
    [
        ({}, "exactly one of device, usb and url"),
        ({"device": "/dev/ttyUSB0", "usb": "1a2b:0c0d"}, "exactly one of device, usb and url"),
        ({"device": "ttyUSB0"}, "write it from the root"),
        ({"usb": "1a2b"}, "vendor:product:serial"),
        ({"usb": "1a2b:xyzw"}, "vendor:product:serial"),
        ({"usb": "1a2b:0c0d", "usb_port": "left"}, 'as "1-1.4"'),
        ({"device": "/dev/ttyUSB0", "usb_port": "1-1.4"}, 'write usb = "vendor:product" with it'),
        ({"device": "/dev/ttyUSB0", "settle_s": -1}, "greater than or equal to 0"),
        ({"url": "http://host"}, "socket://host:port"),
        ({"device": "/dev/ttyS0", "stop_bits": 3}, "write 1, 1.5 or 2"),
        ({"device": "/dev/ttyS0", "flow": "rts-cts", "rts": True}, "take one of the two out"),
        ({"device": "/dev/ttyS0", "flow": "dsr-dtr", "dtr": False}, "take one of the two out"),
        ({"device": "/dev/ttyS0", "parity": "both"}, "none"),
        ({"device": "/dev/ttyS0", "bits": 9}, "7 or 8"),
        ({"device": "/dev/ttyS0", "speed": 9600}, "not permitted"),
    ],
)
def test_settings_that_cannot_be_are_told_offline(settings: dict[str, object], word: str) -> None:
    """Every contradiction is found without a port, and the finding says what to write."""
    with pytest.raises(ValidationError, match=word):
        Settings.model_validate(settings)


def test_a_link_is_named_by_place_and_settings() -> None:
    """`describe` says what a person sets at the gauge: speed, bits, parity, stop bits."""
    assert _link(device="/dev/ttyUSB0").describe() == "/dev/ttyUSB0 at 9600 8N1"
    settled = _link(usb="1a2b:0c0d:B7", baud=4800, bits=7, parity="even", stop_bits=1.5)
    assert settled.describe() == "USB adapter 1a2b:0c0d:B7 at 4800 7E1.5"
    assert _link(usb="1a2b:0c0d", usb_port="1-2").describe() == "USB adapter 1a2b:0c0d in 1-2 at 9600 8N1"


@pytest.mark.asyncio
async def test_a_port_that_is_not_there_says_plug_it_in() -> None:
    """The commonest fault has the commonest remedy."""
    lost = await _lost(_link(device="/dev/ttyUSB99"))
    assert str(lost) == "/dev/ttyUSB99 is not there; plug it in, or correct device"


def test_a_port_that_may_not_be_opened_names_the_group_or_rule() -> None:
    """Permission denied tells which group the service's user lacks, and that a device rule does too."""
    with Pty() as pty:
        Path(pty.path).chmod(0)
        with nobody(), pytest.raises(LinkLost) as caught:
            open_port(Settings(device=pty.path))
        group = Path(pty.path).group()
    assert "may not be opened by this user" in str(caught.value)
    assert "device rule" in caught.value.hint
    assert group == "root" or f"{group!r} (sudo usermod -a -G {group} USER)" in caught.value.hint


HOLD = "import serial, sys; p = serial.Serial(sys.argv[1], exclusive=True); print('held', flush=True); sys.stdin.read()"


def test_a_port_in_use_names_the_program_that_uses_it() -> None:
    """A second reader is refused, and told which process to end; afterwards the port is free again."""
    with Pty() as pty:
        command = [sys.executable, "-c", HOLD, pty.path]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
            assert other.stdout is not None
            assert other.stdout.readline() == b"held\n"
            with pytest.raises(LinkLost, match=rf"in use by .*\(process {other.pid}\); close that program"):
                open_port(Settings(device=pty.path))
            other.communicate(b"")
        port, _ = open_port(Settings(device=pty.path))
        close_port(port)


@pytest.mark.asyncio
async def test_a_port_that_refuses_its_settings_says_which_to_correct() -> None:
    """A driver's "invalid argument" (a pty reopened with seven bits), and a file that is no port, name the settings."""
    with Pty() as pty:
        link = _link(device=pty.path, bits=7, parity="even")
        await link.open()
        await link.close()
        _have_damage_pass(
            pty.path
        )  # where something else is left to set, the system does not tell what it refused
        for refused in (link, _link(device="/dev/null")):
            lost = await _lost(refused)
            assert "does not take its settings" in lost.finding
            assert "correct baud" in lost.hint


@pytest.mark.asyncio
async def test_a_burst_is_held_back_when_nobody_takes_it() -> None:
    """Four megabytes for a reader that lags do not pile up in memory: the sender has to wait, and all of it arrives."""
    data = bytes(n % 251 for n in range(4_000_000))
    with Pty() as pty:
        link = _link(device=pty.path)
        await link.open()
        saying = asyncio.ensure_future(pty.say(data))
        await asyncio.sleep(1.0)
        assert not saying.done()
        assert await _take(link, len(data)) == data
        await saying
        await link.close()


@pytest.mark.asyncio
async def test_what_came_before_the_unplugging_is_still_read() -> None:
    """Bytes that reached the port are handed on before the loss is told, and nothing after it."""
    with Pty() as pty:
        link = _link(device=pty.path)
        await link.open()
        await pty.say(b"+12.345\r")
        assert await _take(link, 8) == b"+12.345\r"
        pty.unplug()
        with pytest.raises(LinkLost, match=r"went away|hung up"):
            await _take(link, 1)
        with pytest.raises(LinkLost):
            await link.send(b"R\r")
        await link.close()


@pytest.mark.asyncio
async def test_a_gauge_that_takes_nothing_never_blocks_the_loop(monkeypatch: pytest.MonkeyPatch) -> None:
    """A stuck port costs its sender a bounded wait, while everybody else runs on."""
    monkeypatch.setattr(serial_traffic, "STUCK_S", 0.5)
    ticks = 0

    async def tick() -> None:
        nonlocal ticks
        while True:
            await asyncio.sleep(0.01)
            ticks += 1

    with Pty() as pty:
        link = _link(device=pty.path)
        await link.open()
        ticking = asyncio.ensure_future(tick())
        with pytest.raises(LinkLost, match=r"has taken no byte for 0\.5 s"):
            await link.send(b"x" * 1_000_000)
        assert ticks > 5
        ticking.cancel()
        await link.close()


@pytest.mark.asyncio
async def test_a_gauge_on_the_lines_gets_time_and_keeps_its_power() -> None:
    """Opening waits until the gauge has settled, bytes meanwhile are kept, and closing does not drop the lines."""
    with Pty() as pty:
        link = _link(device=pty.path, dtr=True, settle_s=0.3)
        begun = time.monotonic()
        await link.open()
        # No upper bound: what is promised is that nothing is sent before.
        assert time.monotonic() - begun >= 0.3
        await link.close()
        opening = asyncio.ensure_future(link.open())
        await asyncio.sleep(0.05)
        await pty.say(b"ready")
        await opening
        assert await _take(link, 5) == b"ready"
        await link.close()
        # HUPCL, "lower modem control lines after last process closes the device": termios(3).
        assert not pty.attributes()[2] & termios.HUPCL
        await (plain := _link(device=pty.path)).open()
        await plain.close()


@pytest.mark.asyncio
async def test_closing_ends_a_send_that_is_stuck() -> None:
    """Whoever waits to send is told when the link closes or the gauge goes, not at the end of a patience."""
    for end in ("close", "unplug"):
        with Pty() as pty:
            link = _link(device=pty.path)
            await link.open()
            sending = asyncio.ensure_future(link.send(b"x" * 1_000_000))
            await asyncio.sleep(0.05)
            if end == "close":
                await link.close()
            else:
                pty.unplug()
            with pytest.raises(LinkLost):
                await asyncio.wait_for(sending, inbox.STUCK_S / 2)
            await link.close()


@pytest.mark.asyncio
async def test_two_hundred_openings_leave_nothing() -> None:
    """Neither threads nor descriptors grow with reconnects; while open, a port on a descriptor needs no thread."""
    with Pty() as pty:
        link = _link(device=pty.path)
        threads, descriptors = threading.active_count(), len(os.listdir("/proc/self/fd"))  # noqa: PTH208
        for round_ in range(200):
            await link.open()
            assert threading.active_count() == threads
            if round_ % 50 == 0:
                await pty.say(b"x")
                assert await _take(link, 1) == b"x"
            await link.close()
        assert threading.active_count() == threads
        assert len(os.listdir("/proc/self/fd")) == descriptors  # noqa: PTH208


@pytest.mark.asyncio
async def test_what_opens_too_late_is_closed_again() -> None:
    """A port whose opening was given up is let go as soon as its driver answers, wherever that happens."""
    answer, late = threading.Event(), asyncio.Event()
    loop = asyncio.get_running_loop()
    given: list[str] = []

    def let_go(port: str) -> None:
        given.append(port)
        loop.call_soon_threadsafe(late.set)

    def open_slowly() -> str:
        answer.wait()
        return "port"

    with pytest.raises(TimeoutError):
        await inbox.in_thread(open_slowly, 0.05, let_go)
    answer.set()
    await asyncio.wait_for(late.wait(), 20)
    assert given == ["port"]


@pytest.mark.asyncio
async def test_damaged_bytes_are_no_digits() -> None:
    """The kernel is told to check parity and framing and to give NUL for what fails (termios(3): INPCK, no PARMRK)."""
    with Pty() as far:
        link = _link(device=far.path)
        await link.open()
        try:
            descriptor = os.open(far.path, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
            try:
                flags = termios.tcgetattr(descriptor)[0]
            finally:
                os.close(descriptor)
            assert flags & termios.INPCK
            assert not flags & (termios.IGNPAR | termios.PARMRK | termios.ISTRIP)
        finally:
            await link.close()


@pytest.mark.parametrize("at", range(12))
def test_a_nul_in_a_frame_makes_no_other_value(at: int) -> None:
    """Whichever byte of a frame came damaged, it is a bad frame, or runs on into the next one: never another value."""
    frame = bytearray(b"+38.0141 mm\r")
    frame[at] = 0
    settings = {"pattern": "{sign}{value} {unit}", "units": {"mm": "mm"}, "terminator": "\r"}
    decoder = DelimitedText(DelimitedText.Settings.model_validate(settings))
    said = decoder.feed(Chunk(bytes(frame) + b"+38.0200 mm\r", _now()))
    values = [event.value for event in said if isinstance(event, Indication)]
    assert values in ([], [Decimal("38.0200")])
    assert any(isinstance(event, BadFrame) for event in said)
