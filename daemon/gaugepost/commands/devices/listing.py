"""Asks each kind of link what is plugged in for it, and prints that for a person or a program."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

from gaugepost.commands.devices.rules import INSTALLED, dry_run
from gaugepost.commands.talk import Service, add_at, service_of
from gaugepost.core.errors import GaugepostError
from gaugepost.shell.devices.plugged_in import Found, present

_EPILOG = """\
Nothing is opened or disturbed. What a running service has open is shown with its link.

examples:
  gaugepost devices                     everything, with the lines for a station file
  gaugepost devices keyboard_wedge      one kind of link
  gaugepost devices --json              one JSON object a line
  gaugepost devices --rules 70-gaugepost.rules    what these device rules would do, before they are installed

--rules says for each serial port, HID and input device which rule of the file fits it, the lasting name and the group
that it would get, and a line to write where none does. Nothing is changed, and nobody has to be root.

exit code: 0; 1 where nothing is plugged in, or a device has no rule; 2 where something must be put right first
"""
_NOTHING = """\
nothing is plugged in that a link could be opened on.
  Plug the gauge in and look again: a serial adapter shows as a port, a gauge that types as a keyboard. In a virtual
  machine or a container the device has to be handed through first. To look around without a gauge: gaugepost demo"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to `parser`."""
    parser.description = "List what is plugged in now, with the lines that name it in a station file."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("kind", metavar="KIND", nargs="?", help="only this kind of link")
    parser.add_argument("--json", action="store_true", help="as one JSON object a line")
    parser.add_argument(
        "--rules",
        metavar="FILE",
        nargs="?",
        const=INSTALLED,
        type=Path,
        help=f"try device rules (udev) instead; without FILE those in {INSTALLED}",
    )
    add_at(parser)


def run(args: argparse.Namespace) -> int:
    """Print what is plugged in; return 0, or 1 where nothing is.

    Raises:
        SettingsError: no link is of the kind that was named, or the rules can't be read.
    """
    if args.rules is not None:
        return dry_run(args.rules, as_json=args.json)
    from gaugepost.edge import plugins

    kinds = plugins.installed(plugins.LINKS)
    if args.kind is not None:
        plugins.find(plugins.LINKS, args.kind)
        kinds = (args.kind,)
    found, problems = [], []
    links = _links(args)
    for kind in kinds:
        try:
            found += list(present(kind, links))
        except GaugepostError as error:
            problems.append((kind, error))
    if args.json:
        for each in found:
            print(json.dumps(asdict(each), ensure_ascii=False))
    else:
        print("\n\n".join("\n".join(_lines(each)) for each in found) or _NOTHING)
    for kind, problem in problems:
        print(f"{kind}: {problem}", file=sys.stderr)
    return 0 if found else 1


def _links(args: argparse.Namespace) -> dict[str, str]:
    """Return the descriptions of a running service's connected links, by name; none where none runs."""
    service: Service = service_of(args)
    try:
        listed = service.get("/v1/links")["links"]
    except GaugepostError:
        if args.at is not None or args.station is not None:
            raise
        return {}
    return {link["link"]: link["description"] or "" for link in listed if link["state"] == "connected"}


def _lines(found: Found) -> Iterator[str]:
    yield f"{found.name or 'without a name'}, at {found.place}"
    yield "  [links.NAME]"
    yield f'  kind = "{found.kind}"'
    yield from (f"  {key} = {_toml(value)}" for key, value in found.settings.items())
    if found.decoder:
        yield "  [links.NAME.decoder]"
        yield from (f"  {key} = {_toml(value)}" for key, value in found.decoder.items())
    if found.link is not None:
        yield f"  in use: link {found.link} of the running service"
    elif found.holders:
        yield f"  open in: {', '.join(found.holders)}"
    if found.refused:
        yield f"  not permitted: {found.refused}"
        yield f"    {found.remedy}"
    yield from (f"  note: {note}" for note in found.notes)


def _toml(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
