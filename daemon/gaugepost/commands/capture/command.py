"""`gaugepost capture`: what a gauge sends, with its timing and what its decoder makes of it, into a file to hand on."""

from __future__ import annotations

import argparse
import asyncio
import json
import signal
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from gaugepost.commands.capture.tape import Tape
from gaugepost.contract.capture import head_text
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
    tape: Tape | None = None

    async def listen() -> None:
        nonlocal tape
        async for chunk in link.chunks():
            if tape is None:
                what, how = f"Link {plan.name} of {station}: {link.describe()}", f"Captured {_now()}."
                output.write(head_text(what, how, plan.decoder_kind, told, packets=chunk.complete))
                tape = Tape(output, most, stop)
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


def _now() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
