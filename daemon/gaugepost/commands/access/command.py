"""`gaugepost access`: tokens for whoever asks the service over the network."""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

from gaugepost.core.access import Grant, Scope
from gaugepost.core.publication import rfc3339
from gaugepost.edge.access import AccessFile
from gaugepost.edge.stationfile import read_station

_EPILOG = """\
A service that listens beyond its own computer, or with tokens = true under [service], answers nobody without a token:
  read      look at everything, follow the stream
  operate   also what a person at the bench does: master, check, tag, void, amend, measure again
  set-up    also what changes the station: leave records out of a delivery
Run it on the service's own computer; the service needs no restart. The token is shown once and kept as a digest.

examples:
  gaugepost access grant quality-pc --station station.toml
  gaugepost access grant bench-tablet --scope operate --days 365 --station station.toml
  gaugepost access list --station station.toml
  gaugepost access revoke bench-tablet --station station.toml

Whoever has one sends it as Authorization: Bearer TOKEN; our own commands take it from $GAUGEPOST_TOKEN.

exit code: 0; 2 where it can't be done
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the actions to `parser`."""
    parser.description = "Grant, list and revoke tokens for the service's REST interface."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    actions = parser.add_subparsers(metavar="ACTION", title="actions", required=True)
    grant = actions.add_parser("grant", help="make a token and show it once")
    grant.add_argument("name", metavar="NAME", help="who gets it: quality-pc")
    grant.add_argument(
        "--scope", choices=[scope.value for scope in Scope], default="read", help="what it allows (read)"
    )
    grant.add_argument("--days", type=_days, help="days that it counts (for ever)")
    grant.set_defaults(act=_grant)
    revoke = actions.add_parser("revoke", help="have a token count no more")
    revoke.add_argument("name", metavar="NAME", help="whose token")
    revoke.set_defaults(act=_revoke)
    listing = actions.add_parser("list", help="who has one, with what scope, until when")
    listing.add_argument("--json", action="store_true", help="as JSON")
    listing.set_defaults(act=_list)
    for action in (grant, revoke, listing):
        action.add_argument(
            "--station",
            metavar="FILE",
            type=Path,
            default=Path("station.toml"),
            help="the station file (station.toml)",
        )


def run(args: argparse.Namespace) -> int:
    """Do what is asked; return the exit code. Raises `GaugepostError` where it can't be done."""
    file = AccessFile(read_station(args.station).data)
    code: int = args.act(args, file, time.time_ns() // 1_000_000)
    return code


def _grant(args: argparse.Namespace, file: AccessFile, now_ms: int) -> int:
    token = file.grant(args.name, Scope(args.scope), now_ms, days=args.days)
    print(token)
    return 0


def _revoke(args: argparse.Namespace, file: AccessFile, now_ms: int) -> int:
    file.revoke(args.name, now_ms)
    print(f"{args.name} may ask no more")
    return 0


def _list(args: argparse.Namespace, file: AccessFile, now_ms: int) -> int:
    grants = file.grants()
    if args.json:
        print(json.dumps({"tokens": [_shown(grant, now_ms) for grant in grants]}, indent=1))
        return 0
    if not grants:
        print("nobody has a token; `gaugepost access grant NAME` makes one")
        return 0
    width = max(len(grant.name) for grant in grants)
    for grant in grants:
        print(f"{grant.name:{width}}  {grant.scope.value:7}  {_standing(grant, now_ms)}")
    return 0


def _shown(grant: Grant, now_ms: int) -> dict[str, str | bool | None]:
    return {
        "name": grant.name,
        "scope": grant.scope.value,
        "counts": grant.counts(now_ms),
        "granted_at": rfc3339(grant.granted_at),
        "until": None if grant.until is None else rfc3339(grant.until),
        "revoked_at": None if grant.revoked_at is None else rfc3339(grant.revoked_at),
    }


def _standing(grant: Grant, now_ms: int) -> str:
    if grant.revoked_at is not None:
        return f"revoked {_day(grant.revoked_at)}"
    if grant.until is None:
        return f"since {_day(grant.granted_at)}"
    return f"{'until' if grant.counts(now_ms) else 'ended'} {_day(grant.until)}"


def _day(utc_ms: int) -> str:
    return rfc3339(utc_ms)[:10]


def _days(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and 1 <= int(text) <= 36_500):
        raise argparse.ArgumentTypeError(f"{text!r} is no number of days: write 1 to 36500")
    return int(text)
