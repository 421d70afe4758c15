"""`gaugepost access`: people who sign in, and tokens for programs that ask the service."""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

from gaugepost.commands.access.people import BY, add_actions, line_of
from gaugepost.core.access import FOR_TOKENS, Grant, Scope, alike, person_document
from gaugepost.core.errors import CommandRefused
from gaugepost.core.publication import rfc3339
from gaugepost.edge.access import AccessFile, PeopleFile
from gaugepost.edge.stationfile import read_station

_EPILOG = """\
People sign in with their id and a PIN, or with a scanned code. As soon as there is one, nobody commands the station
without signing in or a token, and nobody is recorded by a person's id but that person:
  operator       what is done at the bench: master, check, tag, void, amend, measure again
  setter         also what changes the station, or many records: skip records of a delivery, judge again
  administrator  also who may do what, and ending others' sessions
A PIN has 6 to 12 digits and is asked for, or read from standard input. After 3 wrong ones there is a growing wait, and
after 100 in a row only `access pin` helps.

A service that listens beyond its own computer, or with tokens = true under [service], answers nobody who neither
signed in nor brings a token:
  read      look at everything, follow the stream
  operate   also what an operator does
  set-up    also what a setter does
Run it on the service's own computer; the service needs no restart. The token is shown once and kept as a digest.

examples:
  gaugepost access add M1 --role administrator --name "Mara Example" --station station.toml
  gaugepost access add M2 --station station.toml
  gaugepost access role M2 setter --station station.toml
  gaugepost access pin M2 --station station.toml < pin.txt
  gaugepost access grant quality-pc --station station.toml
  gaugepost access grant bench-tablet --scope operate --days 365 --station station.toml
  gaugepost access list --station station.toml
  gaugepost access revoke bench-tablet --station station.toml      a person's id, or a token's name

Whoever has one sends it as Authorization: Bearer TOKEN; our own commands take it from $GAUGEPOST_TOKEN.

exit code: 0; 2 where it can't be done
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the actions to `parser`."""
    parser.description = "Say who may sign in to the service and as what, and grant tokens to programs."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    actions = parser.add_subparsers(metavar="ACTION", title="actions", required=True)
    grant = actions.add_parser("grant", help="make a token and show it once")
    grant.add_argument("name", metavar="NAME", help="who gets it: quality-pc")
    grant.add_argument("--scope", choices=FOR_TOKENS, default="read", help="what it allows (read)")
    grant.add_argument("--days", type=_days, help="days that it counts (for ever)")
    grant.set_defaults(act=_grant)
    revoke = actions.add_parser("revoke", help="have somebody sign in no more, or a token count no more")
    revoke.add_argument("name", metavar="NAME", help="a person's id, or a token's name")
    revoke.set_defaults(act=_revoke)
    listing = actions.add_parser("list", help="who may come in, and how far")
    listing.add_argument("--json", action="store_true", help="as JSON")
    listing.set_defaults(act=_list)
    for action in (grant, revoke, listing, *add_actions(actions)):
        action.add_argument(
            "--station",
            metavar="FILE",
            type=Path,
            default=Path("station.toml"),
            help="the station file (station.toml)",
        )


def run(args: argparse.Namespace) -> int:
    """Do what is asked; return the exit code. Raises `GaugepostError` where it can't be done."""
    data = read_station(args.station).data
    code: int = args.act(args, AccessFile(data), PeopleFile(data), time.time_ns() // 1_000_000)
    return code


def _grant(args: argparse.Namespace, file: AccessFile, people: PeopleFile, now_ms: int) -> int:
    if alike(args.name) in people.ids():
        raise CommandRefused(
            f"{args.name} is a person's id", hint="name the program otherwise: both stand in records"
        )
    token = file.grant(args.name, Scope(args.scope), now_ms, days=args.days)
    print(token)
    return 0


def _revoke(args: argparse.Namespace, file: AccessFile, people: PeopleFile, now_ms: int) -> int:
    person = people.person(args.name)
    if person is not None and person.counts:
        people.revoke(args.name, now_ms, BY)
        print(f"{args.name} may sign in no more")
        return 0
    if not file.has(args.name, now_ms):
        known = [each.id for each in people.people() if each.counts]
        known += [each.name for each in file.grants() if each.counts(now_ms)]
        raise CommandRefused(
            f"{args.name[:80]!r} is nobody who signs in, and no token",
            hint=f"who may come in: {', '.join(known) or 'nobody'}",
        )
    file.revoke(args.name, now_ms)
    print(f"{args.name} may ask no more")
    return 0


def _list(args: argparse.Namespace, file: AccessFile, people: PeopleFile, now_ms: int) -> int:
    grants, persons = file.grants(), people.people()
    if args.json:
        told = {
            "people": [person_document(person) for person in persons],
            "tokens": [_shown(grant, now_ms) for grant in grants],
        }
        print(json.dumps(told, indent=1))
        return 0
    if not grants and not persons:
        print("nobody signs in, and nobody has a token")
        print(
            "`gaugepost access add ID` adds a person, `gaugepost access grant NAME` makes a token for a program"
        )
        return 0
    width = max(len(name) for name in [*(grant.name for grant in grants), *(each.id for each in persons)])
    for person in persons:
        print(line_of(person, width))
    for grant in grants:
        print(f"{grant.name:{width}}  {'token: ' + grant.scope.value:14} {_standing(grant, now_ms)}")
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
