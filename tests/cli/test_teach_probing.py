"""`gaugepost teach --probe`: the flow at the terminal with a line modelled to the bit, and where there is none."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from typing import Any, ClassVar

import pytest

from gaugepost.contract import AdapterSettings, Chunk, LinkLost, Moment
from gaugepost.contract.probing import Line
from gaugepost.core.errors import SettingsError
from gaugepost.shell.lessons.probing import probe
from gaugepost.teach.probing import Judgement
from tests.bench_tools.daemon import Port
from tests.bench_tools.pupil import Pupil
from tests.teach.uart import received, sent

NOW = Moment(0, 0, "")
VALUES = (b"+0012.345 mm\r\n", b"-0007.891 mm\r\n", b"+0040.268 mm\r\n")


class Bench:
    """A gauge that sends whenever a setting is listened to, as a person would have it; some speeds hear nothing."""

    def __init__(self, line: Line, deaf: Mapping[int, str] = {}) -> None:
        self.line, self.deaf, self.count = line, deaf, 0
        self.lines: asyncio.Queue[str | None] = asyncio.Queue()
        self.said: list[str] = []
        self.open = 0

    async def probed(self) -> Judgement | None:
        """Find out how the line is set."""
        async with asyncio.timeout(60):
            make: Callable[[], Any] = lambda: Modelled(self)  # noqa: E731 - made by no settings, as links are
            return await probe(make, self.lines, self.said.append)


class Modelled:
    """A link whose line is modelled; only what probing asks of it."""

    Settings: ClassVar[type[AdapterSettings]] = AdapterSettings

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._set: Line | None = None

    async def open(self) -> None:
        raise AssertionError("probing opens by listen_as")

    async def listen_as(self, line: Line) -> None:
        self._set = line
        self._bench.open += 1

    async def chunks(self) -> AsyncIterator[Chunk]:
        assert self._set
        yield Chunk(b"\x80", NOW, fault="half a byte, as the port was opened")
        await asyncio.sleep(0.3)
        if self._set.baud in self._bench.deaf:
            self._bench.lines.put_nowait(self._bench.deaf[self._set.baud])
        else:
            self._bench.count += 1
            wire = sent(VALUES[self._bench.count % len(VALUES)], self._bench.line)
            good, bad = received(wire, self._set, resumes=True)
            if good:
                yield Chunk(good, NOW)
            if bad:
                yield Chunk(bad, NOW, fault="damaged")
        await asyncio.Event().wait()

    async def send(self, data: bytes, channel: str = "") -> None:
        raise LinkLost("nothing is sent here")

    async def close(self) -> None:
        self._bench.open -= 1

    def describe(self) -> str:
        return "a modelled line"


@pytest.mark.asyncio
async def test_a_line_is_found_while_somebody_measures() -> None:
    """Each measurement is counted and told, half a byte of before it is not, and the port is closed each time."""
    bench = Bench(Line(4800, 7, "even"), {115200: ""})
    judgement = await bench.probed()
    assert judgement is not None
    assert judgement.found == Line(4800, 7, "even")
    assert bench.open == 0
    told = "\n".join(bench.said)
    assert "2. listening at 4800 baud" in told
    assert "14 bytes came, none of them damaged" in told
    assert "nothing came" in told


@pytest.mark.asyncio
async def test_it_can_be_given_up() -> None:
    """A word other than an empty line ends it, and the port is let go of."""
    bench = Bench(Line(9600), {4800: "end"})
    assert await bench.probed() is None
    assert bench.open == 0


@pytest.mark.asyncio
async def test_a_link_without_a_line_is_refused() -> None:
    """A kind of link that can't listen under settings is refused with what to do."""

    class Other(Modelled):
        listen_as = None  # type: ignore[assignment]

    made: Any = Other(Bench(Line(9600)))
    with pytest.raises(SettingsError, match="has no line"):
        await probe(lambda: made, asyncio.Queue(), lambda text: None)


def test_a_pseudo_terminal_is_told_and_not_guessed() -> None:
    """Where no line is behind the port the command says so, and ends with 2."""
    with Port() as port:
        pupil = Pupil("serial_port", f"device={port.path}", "--probe")
        code, out, said = pupil.end()
    assert (code, out) == (2, "")
    assert "takes no parity" in said
    assert "Traceback" not in said
