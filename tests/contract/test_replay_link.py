"""The replay link plays what a capture holds, in its order and time, and `gaugepost capture` makes such captures."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from gaugepost.contract import (
    BadFrame,
    Code,
    Condition,
    Decoded,
    Indication,
    Link,
    LinkLost,
    Moment,
    Temperature,
    Trigger,
    Unit,
    ValueRefused,
    parse_number,
)
from gaugepost.contract.capture import Captured, frame_text, head_text, read_capture
from gaugepost.contract.kit import links
from gaugepost_adapters.links.replay import ReplayLink
from tests.bench_tools import captures
from tests.bench_tools.daemon import START_S, Daemon, Port, station_file
from tests.cli.daemons import started

FAR = '[[frame]]\nat_ms = 3600000\nbytes = "late"\n'


def _link(file: Path, **settings: object) -> ReplayLink:
    checked = ReplayLink.Settings.model_validate({"file": str(file), **settings})
    return ReplayLink(
        checked, lambda: Moment(time.time_ns() // 1_000_000, time.monotonic_ns() // 1_000_000, "")
    )


async def _play(link: Link, count: int) -> list[tuple[bytes, str, bool]]:
    await link.open()
    played = []
    async with asyncio.timeout(60):
        async for chunk in link.chunks():
            played.append((chunk.data, chunk.channel, chunk.complete))
            if len(played) == count:
                break
    await link.close()
    return played


@pytest.mark.asyncio
async def test_the_kit_holds_for_a_replay(tmp_path: Path) -> None:
    """What of the kit a far side that only plays can be held to, holds: before open, at close, absent, nothing left."""
    file = tmp_path / "capture.toml"
    file.write_text('[[frame]]\nat_ms = 0\nbytes = "x"\n' + FAR)

    @asynccontextmanager
    async def bench(now: links.Now) -> AsyncIterator[tuple[Link, links.FarSide]]:
        link = ReplayLink(ReplayLink.Settings.model_validate({"file": str(file)}), now)
        yield link, _Nobody()
        await link.close()

    await links.check_closed(bench)
    await links.check_leaves_nothing(bench)
    await links.check_absent(_link(tmp_path / "nothing.toml"))


class _Nobody:
    """Nobody plays the gauge: the capture does."""

    async def say(self, data: bytes) -> None:
        """Not asked for."""
        raise AssertionError

    async def hear(self, count: int) -> bytes:
        """Not asked for."""
        raise AssertionError

    async def leave(self) -> None:
        """Not asked for."""
        raise AssertionError


@pytest.mark.asyncio
@pytest.mark.parametrize("capture", captures.every(), ids=lambda capture: capture.name)
async def test_every_capture_of_the_tests_can_be_replayed(capture: captures.Capture) -> None:
    """The captures that decoders are held to come over the link as they were written down, at every opening."""
    link = _link(captures.FOLDER / f"{capture.name}.toml", speed=1000)
    for _ in range(2):
        played = await _play(link, len(capture.frames))
        assert [data for data, _, _ in played] == [frame.data for frame in capture.frames]
        assert {complete for _, _, complete in played} == {capture.packets}


@pytest.mark.asyncio
async def test_timing_speed_and_loop(tmp_path: Path) -> None:
    """No frame comes before its time, which `speed` divides; a loop begins anew, and without one silence follows."""
    file = tmp_path / "capture.toml"
    file.write_text("".join(f'[[frame]]\nat_ms = {at}\nbytes = "{at}"\n' for at in (0, 300, 600)))
    begun = time.monotonic()
    assert [data for data, _, _ in await _play(_link(file), 3)] == [b"0", b"300", b"600"]
    assert time.monotonic() - begun >= 0.6
    assert [data for data, _, _ in await _play(_link(file, speed=100, loop=True), 5)] == [
        b"0", b"300", b"600", b"0", b"300",
    ]  # fmt: skip
    link = _link(file, speed=1000)
    await link.open()
    stream = aiter(link.chunks())
    for _ in range(3):
        await anext(stream)
    over = asyncio.ensure_future(anext(stream, None))
    await asyncio.sleep(0.1)
    assert not over.done()
    await link.close()
    assert await over is None


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("frame", "no TOML"),
        ('what = "nothing"', "no frames"),
        ("[[frame]]\nat_ms = 1\n", "frame 1 has no bytes"),
        ('[[frame]]\nhex = "3"\n', "frame 1 has no bytes"),
        ('[[frame]]\nbytes = "x"\nat_ms = 1.5\n', "frame 1 has an at_ms"),
        (FAR + '[[frame]]\nat_ms = 1\nbytes = "x"\n', "frame 2 came before frame 1"),
    ],
)
@pytest.mark.asyncio
async def test_what_is_no_capture_is_told(tmp_path: Path, text: str, word: str) -> None:
    """A file that can't be replayed is a lost link that says which frame is wrong and what to write."""
    with pytest.raises(ValueRefused, match=word):
        read_capture(text)
    file = tmp_path / "capture.toml"
    file.write_text(text)
    with pytest.raises(LinkLost, match=word) as caught:
        await _link(file).open()
    assert caught.value.hint


def test_what_is_written_is_read_again() -> None:
    """Any bytes, any event: a written capture is TOML, and its frames come back to the byte."""
    events: list[Decoded] = [
        Indication("+1.50", parse_number("1.50"), Unit.MM, b"x"),
        Temperature(parse_number("21.4"), b"x", "07"),
        Condition("E1", 'says "out"', b"x", ends_mastering=True),
        Code("L7/1", b"x"),
        Trigger("pedal", b"x"),
        BadFrame("half a frame\x7f", b"x"),
    ]
    frames = [Captured(data, at, channel) for at, (data, channel) in enumerate([
        (b'+1.50 mm "\\\r\n', ""), (bytes(range(256)), "c"), (b"\x7f", ""), (b"\xb5m\t", 'a"b'),
    ])]  # fmt: skip
    text = head_text(
        "a gauge", "by hand", "delimited_text", {"units": {"mm": "mm"}, "start": "\x02"}, packets=False
    )
    assert read_capture(text + "".join(frame_text(frame, events) for frame in frames)) == frames


@pytest.mark.attack
def test_a_real_gauge_is_captured_and_replayed_into_a_station(tmp_path: Path) -> None:
    """A gauge's captured frames come out of a station's replay link, and the journaled set-up says it is one."""
    station, file = tmp_path / "station.toml", tmp_path / "bore.toml"
    with Port() as port:
        station.write_text(station_file([port]), encoding="utf-8")
        words = ["capture", "usb-0", "--station", str(station), "--output", str(file), "--frames", "3"]
        with started(*words) as capturing:
            assert capturing.stdout is not None
            assert capturing.stdout.readline().startswith(f"capturing {port.path}")
            for part in (b"38.00", b"41 mm\r\n38.0", b"042 mm\r\n", b"nonsense\r\n"):
                port.send(part)
            out, err = capturing.communicate(timeout=START_S)
        assert (capturing.returncode, out) == (0, f"3 frames in {file}\n"), err
        with started(*words) as again:
            assert "name a file that is not there yet" in again.communicate(timeout=START_S)[1]
        made = station_file([port]).replace(f'device = "{port.path}"', f'file = "{file}"')
        made = made.replace('kind = "serial_port"', 'kind = "replay"')
    assert [frame.data for frame in read_capture(file.read_text())] == [
        b"38.0041 mm\r\n", b"38.0042 mm\r\n", b"nonsense\r\n",
    ]  # fmt: skip
    assert "bad_frame" in file.read_text()
    with Daemon(tmp_path, made) as daemon:
        readings = daemon.wait_for(2, kind="reading")
        assert [reading["indication"] for reading in readings] == ["38.0041", "38.0042"]
        assert {reading["link"] for reading in readings} == {"usb-0"}
        daemon.wait_for(1, kind="bad-frame")
        connected = daemon.wait_for(1, kind="link")[0]
        assert connected["text"].startswith("replay of ")
    assert '"kind":"replay"' in daemon.journal.read_bytes().decode("latin-1")
