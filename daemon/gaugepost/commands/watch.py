"""`gaugepost watch`: what happens at a running station, in the terminal, as it happens."""

from __future__ import annotations

import argparse
import os
import sys
import time
from typing import NoReturn, TextIO

from gaugepost.commands.talk import Document, Service, add_at, service_of
from gaugepost.commands.view import Style, lines
from gaugepost.core.errors import CommandRefused, Unreachable

WAIT_S = 20.0
AGAIN_S = 1.0

_EPILOG = """\
examples:
  gaugepost watch                              the station on this computer, from now on
  gaugepost watch --station bench.toml         the one that this file describes
  gaugepost watch --since beginning            its whole journal, then what happens

Colours are left out where NO_COLOR is set or the output is no terminal; every verdict is a word too.
exit code: 0 when ended with Ctrl-C, 2 where no station answers at the start
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and examples to `parser`."""
    parser.description = "Show each record of a running station as it happens."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    add_at(parser)
    parser.add_argument(
        "--since", metavar="WHEN", type=_since, help='a sequence number, "now" (default) or "beginning"'
    )
    parser.add_argument("--ascii", action="store_true", help="draw with ASCII characters only")


def run(args: argparse.Namespace) -> int:
    """Print records until interrupted; return 0. Raises `GaugepostError` where no station answers at the start."""
    service = service_of(args)
    try:
        feed = Feed.from_now(service) if args.since is None else Feed(service, args.since)
        _show(feed, style_of(sys.stdout, ascii_only=args.ascii))
    except KeyboardInterrupt:
        return 0


class Feed:
    """The journal from one point on. Each record comes once; another journal is read from its beginning."""

    def __init__(self, service: Service, after: int = 0, epoch: str | None = None) -> None:
        self.service = service
        self._after, self._epoch = after, epoch
        self._in_doubt = False

    @classmethod
    def from_now(cls, service: Service) -> Feed:
        """Return the feed of what happens from now on. Raises as `Service.send`."""
        station = service.get("/v1/station")
        return cls(service, int(station["head"]), str(station["epoch"]))

    def page(self, wait_s: float) -> list[Document]:
        """Return the next records, as soon as there are any; none after `wait_s` seconds. Raises as `send`."""
        try:
            # Who comes back after an absence may have another journal: it is not waited for before that is known.
            answer = self._page(0.0 if self._in_doubt else wait_s)
        except Unreachable:
            self._in_doubt = True
            raise
        except CommandRefused:
            # The journal ends before the place where this feed stood.
            if self._epoch is None:
                raise
            self._after = 0
            answer = self._page(0.0)
        if self._epoch not in (None, answer["epoch"]) and self._after:
            self._after = 0
            answer = self._page(0.0)
        self._in_doubt = False
        self._epoch, self._after = str(answer["epoch"]), int(answer["next"])
        records: list[Document] = answer["records"]
        return records

    def _page(self, wait_s: float) -> Document:
        return self.service.get("/v1/records", wait_s=wait_s, after=self._after)


def style_of(out: TextIO, *, ascii_only: bool = False) -> Style:
    """Return what the terminal behind `out` can show."""
    encoding = (out.encoding or "").lower().replace("-", "")
    colour = out.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
    return Style(colour=colour, ascii=ascii_only or encoding != "utf8", zone=None)


def _show(feed: Feed, style: Style) -> NoReturn:
    """Print records for ever; a station that goes away after it answered once is waited for."""
    reached = lost = False
    while True:
        try:
            records = feed.page(WAIT_S)
        except Unreachable as error:
            if not reached:
                raise
            if not lost:
                print(f"{error.finding}; waiting for it", file=sys.stderr, flush=True)
            lost = True
            time.sleep(AGAIN_S)
            continue
        if lost:
            print(f"{feed.service.at} answers again", file=sys.stderr, flush=True)
        reached, lost = True, False
        for record in records:
            print(*lines(record, style), sep="\n", flush=True)


def _since(text: str) -> int | None:
    if text == "now":
        return None
    if text == "beginning":
        return 0
    if text.isascii() and text.isdecimal() and len(text) < 16:
        return int(text)
    raise argparse.ArgumentTypeError(
        f'{text!r} is no place in a journal; write a sequence number, "now" or "beginning"'
    )
