"""Listening under any setting of a serial line: what is asked is set, and what came damaged is told as damaged."""

from __future__ import annotations

import os
import termios
from collections.abc import Iterator

import pytest
from hypothesis import given, settings, strategies as st

from gaugepost.contract import Chunk, Moment, SettingsError
from gaugepost.contract.probing import Line, Probes
from gaugepost_adapters.links.serial import damage
from gaugepost_adapters.links.serial.damage import Marks
from gaugepost_adapters.links.serial.port import SerialPortLink
from tests.bench_tools.terminal import Terminal

NOW = Moment(0, 0, "")


@pytest.fixture
def pty() -> Iterator[tuple[int, str]]:
    with Terminal() as terminal:
        yield terminal.ours, terminal.path


def link(**words: object) -> SerialPortLink:
    """A serial port, not open."""
    made = SerialPortLink(SerialPortLink.Settings.model_validate(words), lambda: NOW)
    assert isinstance(made, Probes)
    return made


@pytest.mark.asyncio
async def test_a_pseudo_terminal_says_that_it_has_no_line(pty: tuple[int, str]) -> None:
    """A port that takes no parity can't be probed, says so with what to do, and is let go of."""
    one = link(device=pty[1])
    with pytest.raises(SettingsError, match="takes no parity") as refused:
        await one.listen_as(Line(4800, 7, "even"))
    assert "give baud" in refused.value.hint
    await one.open()  # not held by the attempt
    await one.close()


@pytest.mark.asyncio
async def test_a_port_elsewhere_cannot_be_probed() -> None:
    """Damage on a far computer's port is told by nobody, so probing it is refused with what to write."""
    with pytest.raises(SettingsError, match="only by this computer's own ports"):
        await link(url="socket://127.0.0.1:9").listen_as(Line(9600))


@pytest.mark.asyncio
async def test_the_speed_is_really_set(pty: tuple[int, str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Each setting that is listened to is the port's own, seen from its other end; FF stays one byte (termios(3))."""
    monkeypatch.setattr(damage, "_takes_parity", lambda descriptor: True)  # which no pseudo-terminal does
    one = link(device=pty[1])
    for baud, code in ((4800, termios.B4800), (115200, termios.B115200), (1200, termios.B1200)):
        await one.listen_as(Line(baud))
        flags, _, _, _, speed, *_ = termios.tcgetattr(pty[0])
        assert speed == code
        assert flags & (termios.PARMRK | termios.INPCK) == termios.PARMRK | termios.INPCK
        os.write(pty[0], b"1\xff2\xff\xff3")
        came = b""
        async for chunk in one.chunks():
            assert not chunk.fault
            came += chunk.data
            if len(came) == 6:
                break
        assert came == b"1\xff2\xff\xff3"
        await one.close()


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 255), st.booleans())), st.lists(st.integers(1, 5), min_size=1))
def test_marks_are_taken_out_wherever_they_are_cut(sent: list[tuple[int, bool]], cuts: list[int]) -> None:
    """Marked as termios(3) says and cut anywhere, each byte comes once, and damaged where it was."""
    marked = b"".join(
        b"\xff\x00" + bytes([byte]) if bad else bytes([byte]) * (1 + (byte == 0xFF)) for byte, bad in sent
    )
    marks, came, at, turn = Marks(), list[Chunk](), 0, 0
    while at < len(marked):
        size = cuts[turn % len(cuts)]
        came += marks.split(Chunk(marked[at : at + size], NOW))
        at, turn = at + size, turn + 1
    assert b"".join(chunk.data for chunk in came if not chunk.fault) == bytes(b for b, bad in sent if not bad)
    assert b"".join(chunk.data for chunk in came if chunk.fault) == bytes(b for b, bad in sent if bad)
