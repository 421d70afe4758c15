"""`gaugepost key`: the key pair that signs a station's checkpoints, made, shown and changed."""

from __future__ import annotations

import argparse
from pathlib import Path

from gaugepost.core.errors import CommandRefused
from gaugepost.edge.evidence import keys
from gaugepost.edge.stationfile import read_station

_EPILOG = """\
With a table [checkpoints] in the station file the service signs its journal's head with the private key (Ed25519, RFC
8032): every 1000 records or every hour, and when it stops. Whoever has the public key proves a journal, a backup or an
archive with nothing else: `gaugepost verify FILE --public-key station.pub.pem`.

Hand the public key to whoever shall verify, by a way that the bench PC has no part in, and keep a copy of it. The
private key stays at the station; keep no copy of it with the backups. Whoever has it can sign a journal written anew.

`rotate` makes the next key. The checkpoint that follows is signed by the key in use and announces the next one, which
is in use then: whoever has an earlier public key verifies on. Where the key in use may be in wrong hands, do not
rotate: move its file away, make another one, and hand out the new public key.

examples:
  gaugepost key make --station station.toml
  gaugepost key show --station station.toml > station.pub.pem
  gaugepost key rotate --station station.toml

exit code: 0; 2 where it can't be done
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the actions to `parser`."""
    parser.description = "Make, show and change the key that signs a station's checkpoints."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    actions = parser.add_subparsers(metavar="ACTION", title="actions", required=True)
    for name, act, brief in (
        ("make", _make, "make a key pair; the private key is a file of its own"),
        ("show", _show, "print the public key in PEM, for whoever verifies"),
        ("rotate", _rotate, "make the next key, which the one in use announces"),
    ):
        action = actions.add_parser(name, help=brief)
        action.add_argument(
            "--station",
            metavar="FILE",
            type=Path,
            default=Path("station.toml"),
            help="the station file (station.toml)",
        )
        action.set_defaults(act=act)


def run(args: argparse.Namespace) -> int:
    """Do what is asked; return the exit code. Raises `GaugepostError` where it can't be done."""
    station = read_station(args.station)
    plan = station.checkpoints
    code: int = args.act(station.data / keys.FILE_NAME if plan is None else plan.key, plan is not None)
    return code


def _make(path: Path, is_used: bool) -> int:
    print(f"public key {keys.made(path).hex()}")
    print(f"private key in {path}")
    if not is_used:
        print("the station signs nothing yet: write a table [checkpoints] into its file, and start it again")
    return 0


def _show(path: Path, _: bool) -> int:
    print(keys.public_text(keys.read(path).public), end="")
    return 0


def _rotate(path: Path, is_used: bool) -> int:
    if not is_used:
        raise CommandRefused(
            "the station signs nothing, so nothing announces another key",
            hint="write a table [checkpoints] into its file; or move the key away and make another one",
        )
    keys.read(path)
    if keys.next_of(path).exists():
        raise CommandRefused(
            f"{keys.next_of(path)} waits already for the next checkpoint", hint="let the service run"
        )
    print(f"next public key {keys.made(keys.next_of(path)).hex()}")
    print("in use once the service has made its next checkpoint, which announces it")
    return 0
