"""Exchanges on real lines: an answer counts for its own question, in its time, or not at all."""

from __future__ import annotations

import asyncio
import re
import threading
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from gaugepost.contract import BadFrame, Decoded, Indication, Moment
from gaugepost.edge.stationfile import StationFileError, read_station
from gaugepost.shell.asking import exchange
from gaugepost.shell.asking.exchange import Exchanges
from gaugepost_adapters.decoders.delimited_text import DelimitedText
from gaugepost_adapters.links.serial.port import SerialPortLink
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.far_sides import Pty

MULTIPLEXER = {"terminator": "\r", "pattern": "{channel:2}A{sign}{value}", "request": "?{channel}\r"}
PATIENCE_S = 60.0


@dataclass
class Line:
    """A multiplexer on a pty and the exchanges on its link."""

    pty: Pty
    link: SerialPortLink
    exchanges: Exchanges
    within_s: dict[str, float]
    missed: asyncio.Event

    async def ask(self, channel: str) -> None:
        """Ask, and see the question arrive."""
        asked = b"?%s\r" % channel.encode()
        async with asyncio.timeout(PATIENCE_S):
            await self.exchanges.ask(self.link, asked, channel)
            assert await self.pty.hear(4) == asked

    async def say(self, frame: bytes) -> list[Decoded]:
        """Have the multiplexer send a frame; return what is admitted of it."""
        decoder = DelimitedText(DelimitedText.Settings.model_validate(MULTIPLEXER))
        await self.pty.say(frame)
        events: list[Decoded] = []
        async with asyncio.timeout(PATIENCE_S):
            async for chunk in self.link.chunks():
                if events := decoder.feed(chunk):
                    break
        return self.exchanges.admit(events)

    async def miss(self, channel: str) -> None:
        """Ask, and leave it unanswered until its time is over."""
        await self.ask(channel)
        async with asyncio.timeout(PATIENCE_S):
            await self.missed.wait()


@asynccontextmanager
async def line(
    within_s: Mapping[str, float], every_s: Mapping[str, float] | None = None
) -> AsyncIterator[Line]:
    missed = asyncio.Event()
    within = dict(within_s)
    with Pty() as pty:
        settings = SerialPortLink.Settings.model_validate({"device": pty.path})
        link = SerialPortLink(settings, lambda: Moment(0, 0, ""))
        exchanges = Exchanges(within, (every_s or {}).__contains__, bool, lambda _: missed.set())
        await link.open()
        try:
            yield Line(pty, link, exchanges, within, missed)
        finally:
            exchanges.forget()
            await link.close()


def _is_bad(events: list[Decoded], reason: str, raw: bytes) -> bool:
    (event,) = events
    return isinstance(event, BadFrame) and reason in event.reason and event.raw == raw


@pytest.mark.asyncio
async def test_one_question_at_a_time_over_all_channels() -> None:
    """A second channel is asked when the first has answered, not before."""
    async with line({"01": PATIENCE_S, "02": PATIENCE_S}) as bench:
        await bench.ask("01")
        second = asyncio.ensure_future(bench.ask("02"))
        await asyncio.sleep(0.1)
        assert not second.done()
        (event,) = await bench.say(b"01A+0012.345\r")
        assert isinstance(event, Indication)
        await second
        (event,) = await bench.say(b"02A+0001.000\r")
        assert isinstance(event, Indication)


@pytest.mark.asyncio
async def test_an_answer_of_another_channel_is_none() -> None:
    """While one channel is asked, a value of another is a bad frame with its bytes, and the question stays open."""
    async with line({"01": PATIENCE_S, "02": PATIENCE_S}) as bench:
        await bench.ask("01")
        other = b"02A+0012.345\r"
        assert _is_bad(
            await bench.say(other), "not an answer to the question that channel '01' was asked", other
        )
        (event,) = await bench.say(b"01A+0012.345\r")
        assert isinstance(event, Indication)


@pytest.mark.asyncio
async def test_a_late_answer_counts_for_no_question(monkeypatch: pytest.MonkeyPatch) -> None:
    """What comes after its time is a bad frame, while another channel is asked too; then the gauge may answer."""
    monkeypatch.setattr(exchange, "LATE_S", 10 * PATIENCE_S)
    async with line({"01": 0.05, "02": PATIENCE_S}) as bench:
        await bench.miss("01")
        assert bench.exchanges.unanswered == {"01": 1}
        await bench.ask("02")
        late = b"01A+0012.345\r"
        assert _is_bad(await bench.say(late), "later than 0.05 s", late)
        (event,) = await bench.say(b"02A+0001.000\r")
        assert isinstance(event, Indication)
        # The debt is paid: it can be asked at once.
        bench.within_s["01"] = PATIENCE_S
        await bench.ask("01")
        (event,) = await bench.say(b"01A+0012.346\r")
        assert (isinstance(event, Indication), bench.exchanges.unanswered) == (True, {})


@pytest.mark.asyncio
async def test_who_owes_an_answer_is_not_asked_again_yet(monkeypatch: pytest.MonkeyPatch) -> None:
    """As long as a late answer could be taken for the next one, there is no next question; others are asked."""
    monkeypatch.setattr(exchange, "LATE_S", 10 * PATIENCE_S)
    async with line({"01": 0.05, "02": PATIENCE_S}) as bench:
        await bench.miss("01")
        again = asyncio.ensure_future(bench.exchanges.ask(bench.link, b"?01\r", "01"))
        await bench.ask("02")
        await bench.say(b"02A+0001.000\r")
        assert not again.done()
        again.cancel()
        await asyncio.gather(again, return_exceptions=True)


@pytest.mark.asyncio
async def test_a_debt_is_over_in_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """A gauge that was off is asked again, and its first answer counts."""
    monkeypatch.setattr(exchange, "LATE_S", 0.05)
    async with line({"01": 0.05}) as bench:
        await bench.miss("01")
        bench.within_s["01"] = PATIENCE_S
        await bench.ask("01")
        (event,) = await bench.say(b"01A+0012.345\r")
        assert isinstance(event, Indication)


@pytest.mark.asyncio
async def test_who_is_asked_on_schedule_does_not_speak_unasked() -> None:
    """An unasked value of a gauge with a schedule is a bad frame; without one, its button may be pressed."""
    async with line({"01": PATIENCE_S, "02": PATIENCE_S}, {"01": PATIENCE_S}) as bench:
        unasked = b"01A+0012.345\r"
        assert _is_bad(await bench.say(unasked), "nothing was asked", unasked)
        (event,) = await bench.say(b"02A+0012.345\r")
        assert isinstance(event, Indication)


@pytest.mark.asyncio
async def test_a_lost_link_owes_nothing() -> None:
    """After a reconnect the first question's answer counts, whatever was left open before."""
    async with line({"01": PATIENCE_S}) as bench:
        await bench.ask("01")
        bench.exchanges.forget()
        await bench.ask("01")
        (event,) = await bench.say(b"01A+0012.345\r")
        assert isinstance(event, Indication)


def _asked_station(port: Port, gauges: str) -> str:
    made = station_file(
        [port], extra=gauges, gauge='channel = "01"\nask_every = "400 ms"\nanswer_within = "60 s"'
    )
    made = made.replace(
        'pattern = "{value} {unit}"', 'pattern = "{channel:2} {value} {unit}"\nrequest = "?{channel}\\r"'
    )
    return made.replace('gauges = ["g0"]', 'gauges = ["g0", "g1"]')


SECOND = """
[gauges.g1]
link = "usb-0"
channel = "02"
contact = "three-point"
display = "absolute"
check_limit = "2 µm"
ask_every = "500 ms"
"""


def test_a_multiplexer_is_asked_on_schedule(tmp_path: Path) -> None:
    """The daemon asks each channel again and again; every answer is one reading, in order, none doubled."""
    stop = threading.Event()
    with Port() as port:

        def answer() -> None:
            for number in range(1000):
                asked = port.received(4)
                port.send(b"%s 38.%04d mm\r\n" % (asked[1:3], number))
                if stop.is_set():
                    return

        answering = threading.Thread(target=answer)
        with Daemon(tmp_path, _asked_station(port, SECOND + 'answer_within = "60 s"\n')) as daemon:
            answering.start()
            readings = daemon.wait_for(12, kind="reading")
            stop.set()
            answering.join()
            assert daemon.get("/links")["links"][0]["problem"] is None
    shown = [int(reading["indication"].partition(".")[2]) for reading in readings]
    assert shown == list(range(len(shown)))
    assert {reading["gauge"] for reading in readings} == {"g0", "g1"}


def test_a_gauge_that_does_not_answer_is_told_once(tmp_path: Path) -> None:
    """Silence is one record and a standing problem of the link, however often it is asked; an answer ends it."""
    with Port() as port:
        station = _asked_station(port, SECOND).replace('answer_within = "60 s"', 'answer_within = "100 ms"')
        with Daemon(tmp_path, station.replace('"500 ms"', '"1 h"')) as daemon:
            for _ in range(3):
                while port.received(4) != b"?01\r":
                    pass
            conditions = daemon.wait_for(1, kind="condition", gauge="g0")
            assert [record["code"] for record in conditions] == ["no-answer"]
            assert re.search(
                r"channel 01 did not answer [2-9] times", daemon.get("/links")["links"][0]["problem"]
            )
            assert len(list(daemon.records(kind="condition", gauge="g0"))) == 1
            assert not list(daemon.records(kind="bad-frame"))


@pytest.mark.parametrize(
    ("gauge", "word"),
    [
        ('ask_every = "500 ms"', "has nothing to ask with"),
        ('ask_every = "200 ms"', "is not longer than debounce"),
        (
            'ask_every = "2 s"\n[gauges.g0.stream]\ntakes = "largest"\nturn = "10 µm"',
            "does not go with stream",
        ),
        ('ask_every = "now and then"', "is not a duration"),
    ],
)
def test_a_schedule_that_asks_nothing_is_found_offline(tmp_path: Path, gauge: str, word: str) -> None:
    """`check` says why a gauge would not be asked, or not answer for itself, before anything is opened."""
    with Port() as port:
        file = tmp_path / "station.toml"
        file.write_text(station_file([port], gauge=gauge))
        with pytest.raises(StationFileError) as caught:
            read_station(file)
    assert any(word in finding.finding for finding in caught.value.findings), caught.value.findings
