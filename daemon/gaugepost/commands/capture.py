"""`gaugepost capture`: what a gauge sends, with its timing and what its decoder makes of it, into a file to hand on."""

from __future__ import annotations

import argparse
import asyncio
import json
import signal
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from gaugepost.contract import Chunk, Decoded
from gaugepost.contract.capture import Captured, frame_text, head_text
from gaugepost.core.errors import SettingsError
from gaugepost.edge.clock import Clock
from gaugepost.edge.stationfile import LinkPlan, read_station

IDLE_S = 0.5
"""How often the decoder is told of a silence."""

_EPILOG = """\
Stop the service first: a port has one reader. Each frame's bytes are written as they came, read or not; nothing is
judged or recorded. To play the file again, give a station file a link of kind "replay":

  [links.NAME]
  kind = "replay"
  file = "/path/of/capture.toml"

example:
  gaugepost capture bore-serial --station station.toml --output bore.toml --frames 20

exit code: 0; 2 where the station file, the link or the output must be put right first
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and example to `parser`."""
    parser.description = "Write what comes over a link of a station file into a capture, until Ctrl-C."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("link", metavar="LINK", help="name of a link in the station file")
    parser.add_argument("--station", required=True, type=Path, help="the station file, as station.toml")
    parser.add_argument(
        "--output", required=True, type=Path, help="the capture; a file that is not there yet"
    )
    parser.add_argument("--frames", type=int, metavar="N", help="end after so many frames")


def run(args: argparse.Namespace) -> int:
    """Capture until Ctrl-C or enough frames; return 0.

    Raises:
        GaugepostError: the station file, the link or the output must be put right first, or the link was lost.
    """
    station = read_station(args.station)
    plan = station.links.get(args.link)
    if plan is None:
        raise SettingsError(
            f"{args.station} has no link {args.link!r}", hint=f"its links: {', '.join(station.links)}"
        )
    try:
        output = args.output.open("x", encoding="utf-8")
    except OSError as error:
        raise SettingsError(
            f"{args.output} can't be written: {error.strerror}", hint="name a file that is not there yet"
        ) from error
    with output:
        frames = asyncio.run(_capture(plan, station.name, output, args.frames))
    print(f"{frames} frames in {args.output}")
    return 0


async def _capture(plan: LinkPlan, station: str, output: TextIO, most: int | None) -> int:
    clock = Clock()
    link, decoder = plan.link(plan.settings, clock), plan.decoder(plan.decoder_settings)
    told = json.loads(plan.decoder_settings.model_dump_json(exclude_defaults=True, exclude_none=True))
    loop, stop = asyncio.get_running_loop(), asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    await link.open()
    tape: _Tape | None = None

    async def listen() -> None:
        nonlocal tape
        async for chunk in link.chunks():
            if tape is None:
                what, how = f"Link {plan.name} of {station}: {link.describe()}", f"Captured {_now()}."
                output.write(head_text(what, how, plan.decoder_kind, told, packets=chunk.complete))
                tape = _Tape(output, most, stop)
            tape.hear(chunk, decoder.feed(chunk))

    listening = asyncio.ensure_future(listen())
    stopping = asyncio.ensure_future(stop.wait())
    try:
        print(f"capturing {link.describe()}; end with Ctrl-C", flush=True)
        while not stopping.done() and not listening.done():
            await asyncio.wait([listening, stopping], timeout=IDLE_S, return_when=asyncio.FIRST_COMPLETED)
            if tape is not None:
                tape.events(decoder.idle((clock().clock_ms - tape.last_ms) / 1000))
        if tape is not None:
            tape.events(decoder.reset())
        if listening.done():
            listening.result()
    finally:
        for task in (listening, stopping):
            task.cancel()
        await asyncio.gather(listening, stopping, return_exceptions=True)
        await link.close()
    return tape.count if tape is not None else 0


class _Tape:
    """Cuts what came into the decoder's frames, each with the time of its first byte, and writes them down."""

    def __init__(self, output: TextIO, most: int | None, stop: asyncio.Event) -> None:
        self.count = 0
        self.last_ms = 0
        self._output, self._most, self._stop = output, most, stop
        self._first_ms: int | None = None
        self._open_ms: dict[str, int] = {}
        """By the link's channel, when the frame that is coming in began."""
        self._held: dict[str, int] = {}
        """By the link's channel, how many bytes of it are in."""
        self._waiting: list[Decoded] = []
        self._complete, self._channel = False, ""

    def hear(self, chunk: Chunk, decoded: list[Decoded]) -> None:
        """Take a chunk and what the decoder said to it."""
        self.last_ms = chunk.arrived.clock_ms
        self._first_ms = self.last_ms if self._first_ms is None else self._first_ms
        self._complete, self._channel = chunk.complete, chunk.channel
        if not self._held.get(chunk.channel):
            self._open_ms[chunk.channel] = self.last_ms
        self._held[chunk.channel] = self._held.get(chunk.channel, 0) + len(chunk.data)
        self.events(decoded)

    def events(self, decoded: list[Decoded]) -> None:
        """Write what became complete."""
        for event in decoded:
            self._waiting.append(event)
            if event.raw and not self._stop.is_set():
                at_ms = self._open_ms[self._channel] - (self._first_ms or 0)
                frame = Captured(event.raw, at_ms, self._channel, self._complete)
                self._output.write(frame_text(frame, self._waiting))
                self._output.flush()
                self._waiting, self.count = [], self.count + 1
                # Whatever else came with this chunk began with it.
                self._open_ms[self._channel] = self.last_ms
                self._held[self._channel] -= len(event.raw)
                if self.count == self._most:
                    self._stop.set()


def _now() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
