"""The demo from start to end: a folder, instruments, the daemon, the story, and what came of it."""

from __future__ import annotations

import contextlib
import signal
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import TextIO

from gaugepost.commands.view import Style, clean
from gaugepost.core.errors import GaugepostError
from gaugepost.demo.broker import Broker, chosen
from gaugepost.demo.process import Daemon, free_port
from gaugepost.demo.shop import Shop
from gaugepost.demo.stage import Stage
from gaugepost.demo.story import Story
from gaugepost.demo.summary import summary

CAUTIONS = """\
Before anybody does this with real parts:
  - never gauge a bore on a spindle that moves or is not locked
  - let hot parts cool; a warm part measures wrong and burns
  - mind sharp edges and burrs, and compressed air: chips fly
  - local rules and licensed practice come first
"""
USUAL_BROKER = Broker("localhost")
_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


@dataclass(frozen=True, slots=True)
class Options:
    """How the demo is wanted."""

    once: bool
    pace: float
    folder: Path | None
    port: int | None
    broker: Broker | None
    """A broker that was named; None for the one on this computer, if there is any."""
    no_broker: bool = False


def play(options: Options, out: TextIO, style: Style) -> int:
    """Play the story and print its summary; return 0, or 1 where anything went otherwise.

    Raises `GaugepostError` where the folder can't be used, or the broker that was named does not answer.
    """
    broker = None if options.no_broker else chosen(options.broker, USUAL_BROKER)
    folder = _folder(options.folder)
    with contextlib.closing(Shop()) as shop, _ended_by_signal():
        print(CAUTIONS, file=out)
        wrong: list[str] = []
        stage = story = daemon = None
        try:
            port = options.port if options.port is not None else free_port()
            station = shop.write_station(folder, port, broker.table() if broker else "")
            print(clean(f"The demo's files are in {folder}", style), file=out, flush=True)
            for line in broker.told() if broker else ():
                print(clean(line, style), file=out, flush=True)
            daemon = Daemon(station)
            daemon.wait_until_listening()
            print(f"The daemon listens at {daemon.address}: open it in a browser", file=out, flush=True)
            stage = Stage(daemon, out, style, options.pace)
            story = Story(shop, stage)
            story.opening()
            story.measure_lot()
            story.closing()
            if not options.once:
                story.measure_on()
        except GaugepostError as error:
            wrong.append(str(error))
        except KeyboardInterrupt:
            print(file=out)
        finally:
            for name in _SIGNALS:
                signal.signal(name, signal.SIG_IGN)
            code = daemon.stop() if daemon else 0
        if code:
            wrong.append(f"the daemon ended with exit code {code}; its log is {folder / 'daemon.log'}")
        wrong = [*(stage.wrong if stage else []), *wrong]
        return summary(folder, story.measured if story else [], wrong, out, style, broker)


def _folder(wanted: Path | None) -> Path:
    if wanted is None:
        return Path(tempfile.mkdtemp(prefix="gaugepost-demo-"))
    folder = wanted.absolute()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        is_empty = not any(folder.iterdir())
    except OSError as error:
        raise GaugepostError(
            f"{folder} can't be used: {error.strerror}", hint="name another folder with --data"
        ) from error
    if not is_empty:
        raise GaugepostError(
            f"{folder} is not empty", hint="name a new folder with --data, or leave --data out"
        )
    return folder


@contextlib.contextmanager
def _ended_by_signal() -> Iterator[None]:
    """Have SIGTERM and a closed terminal end the demo as Ctrl-C does: the daemon is not left behind."""

    def end(_: int, __: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = {name: signal.signal(name, end) for name in _SIGNALS}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)
