"""`gaugepost teach`: measure a few things, type what the display shows, get the gauge's description."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from gaugepost.commands.teach.lines import WORDS, as_lines
from gaugepost.commands.teach.samples import read_samples
from gaugepost.commands.teach.writing import named, write_or_ask
from gaugepost.core.errors import SettingsError
from gaugepost.shell.lessons.searcher import usable_decoders
from gaugepost.teach import Evidence, Outlook, Proposal, as_document, as_texts, search

_EPILOG = (
    """\
It connects as a station file's link would, so KEY=VALUE are the keys of [links.NAME]; gaugepost devices shows them.
A port has one reader: stop the service first, or teach through it (POST /v1/lessons). Then measure three to six
different things, one of them negative where the gauge can show that; have the gauge send each, and type what its
display shows: its sign, every digit, its unit. What is found is accepted only when it can't be a coincidence; until
then it says what to measure next, and why.

"""
    + WORDS
    + """
examples:
  gaugepost teach serial_port device=/dev/ttyUSB0 baud=9600 --write bore
  gaugepost teach serial_port device=/dev/ttyUSB0 --probe --write bore      # nobody knows its baud
  gaugepost teach bore-serial --station station.toml --write bore           # a link that has no decoder yet
  gaugepost teach bluetooth_le address=00:11:22:33:44:55 --write bore       # all that it notifies
  gaugepost teach serial_port device=/dev/ttyUSB0 --request 'D\\r' --write bore   # sends only when asked
  gaugepost teach --samples samples.toml --json

A gauge that sends only when asked is asked as you type: measure, type what it shows, and that is what it answers.

A link may carry several channels: each characteristic that a Bluetooth gauge notifies is one. Each is searched for
itself, so nobody has to know over which one the values come: it is found, and told, for the gauge's entry in the
station file. What came over the others goes into the capture too. --channel only says over which one a gauge is asked.

--samples takes a file instead of a gauge and a keyboard:

  never = ["unit"]                # what the gauge can't show, if anything: negative, unit, longer
  [[sample]]
  shows = "12.345 mm"
  bytes = "+012.345\\r\\n"           # each character one byte; or hex = "2B 30 31"
                                  # of several channels: chunks = [{ channel = "a", hex = "2B" }, …]

It may be a capture, too, whose frames say shows = "12.345 mm" where somebody read the display.

--json prints one object at the end: decided, description, channel; where it is not decided the reason and next, what
to measure; leading and rivals, which still fit, evidence, the bytes that gave the digits, conflict, a measurement that
does not fit; measured and after, all that came.

--write NAME writes NAME.toml, which a station names with [links.NAME.decoder] file = "NAME.toml", and beside it
NAME.capture.toml: the frames that prove it. Where the disk does not take them, you may give another name, or an empty
line to have both printed.

exit code: 0; 1 where nothing is decided yet; 2 where something must be put right first
"""
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments, description and example to `parser`."""
    parser.description = "Find the description of a gauge from what it sends and what its display shows."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument(
        "kind", metavar="KIND", nargs="?", help="kind of link, as serial_port; with --station its name there"
    )
    parser.add_argument("settings", metavar="KEY=VALUE", nargs="*", help="the link's settings")
    parser.add_argument("--station", type=Path, metavar="FILE", help="take the link from this station file")
    parser.add_argument(
        "--probe", action="store_true", help="find out first how a serial line is set: baud, bits, parity"
    )
    parser.add_argument(
        "--request",
        metavar="TEXT",
        help="what asks the gauge for its value, as a station file writes it: 'D\\r'",
    )
    parser.add_argument("--channel", default="", metavar="NAME", help="the link's channel to ask over")
    parser.add_argument("--samples", type=Path, metavar="FILE", help="samples instead of a gauge")
    parser.add_argument("--write", metavar="NAME", help="write NAME.toml and NAME.capture.toml")
    parser.add_argument("--json", action="store_true", help="the outcome as one JSON object")


def run(args: argparse.Namespace) -> int:
    """Search until decided or ended; return 0 where a description was accepted, else 1.

    Raises:
        GaugepostError: samples, link or output must be put right first.
    """
    if (args.kind is None) == (args.samples is None):
        raise SettingsError(
            "teach needs a gauge to listen to, or samples",
            hint="as gaugepost teach serial_port device=/dev/ttyUSB0, or gaugepost teach --samples samples.toml",
        )
    if args.write is not None:
        named(args.write)
    (decoders, left_out), seen = usable_decoders(), [Evidence(())]
    for finding in left_out:
        print(f"left out: {finding}", file=sys.stderr)

    def look(evidence: Evidence) -> Outlook:
        seen.append(evidence)
        return search(evidence, decoders)

    if args.samples is not None:
        outlook = look(read_samples(args.samples))
    else:
        from gaugepost.commands.teach.chosen import chosen
        from gaugepost.commands.teach.listening import taught

        link = chosen(args.kind, args.settings, args.station, args.request, args.channel)
        outlook = taught(link, lambda evidence: _told(look(evidence), args.json), probing=args.probe)
    if args.json:
        _print_json(outlook, seen[-1], args.write)
    elif args.samples is not None or outlook.accepted:
        print("\n".join(as_lines(outlook)), flush=True)
    if outlook.accepted is None:
        return 1
    if args.write is not None:
        _write(args, outlook.accepted)
    return 0


def _print_json(outlook: Outlook, evidence: Evidence, name: str | None) -> None:
    print(json.dumps(as_document(outlook, evidence, _bare(name)), ensure_ascii=False), flush=True)


def _bare(name: str | None) -> str:
    return Path(name or "").name.removesuffix(".toml") or "unnamed"


def _write(args: argparse.Namespace, found: Proposal) -> None:
    """Write what was found; where that can't be, and no other name is given, print it, so that it is not lost."""
    texts = as_texts(found, _bare(args.write))
    asks = args.samples is None or sys.stdin.isatty()
    try:
        wrote = write_or_ask(args.write, texts, _another if asks else _no_other)
    except SettingsError:
        if not args.json:
            print(f"\n# NAME.toml\n{texts[0]}\n# NAME.capture.toml\n{texts[1]}", flush=True)
        raise
    print(f"wrote {wrote[0]} and {wrote[1]}; a station names it with:", file=sys.stderr)
    print(f'\n  [links.NAME.decoder]\n  file = "{wrote[0].name}"', file=sys.stderr)
    if found.channel:
        print(f"  [gauges.NAME]\n  channel = {json.dumps(found.channel)}", file=sys.stderr)


def _another(why: str) -> str:
    print(f"{why}\nanother name, or nothing to have it printed: ", end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip()


def _no_other(why: str) -> str:
    return ""


def _told(outlook: Outlook, json_follows: bool) -> Outlook:
    if json_follows or not outlook.accepted:  # what was accepted is printed as the outcome
        print("\n".join(as_lines(outlook)), file=sys.stderr)
    return outlook
