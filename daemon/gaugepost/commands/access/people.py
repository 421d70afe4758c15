"""`gaugepost access add`, `role`, `pin` and `code`: people with an id of their own, at the service's own computer."""

from __future__ import annotations

import argparse
import getpass
import sys

from gaugepost.core.access import Person, Role, checked_code, checked_pin
from gaugepost.core.errors import CommandRefused, ValueRefused
from gaugepost.core.publication import rfc3339
from gaugepost.edge.access import AccessFile, PeopleFile

BY = "command line"
"""Who changed somebody's entry, where no administrator did."""


def add_actions(
    actions: argparse._SubParsersAction[argparse.ArgumentParser],
) -> list[argparse.ArgumentParser]:
    """Add the actions that are about people; return them."""
    roles = [role.value for role in Role]
    add = actions.add_parser("add", help="add somebody who signs in")
    add.add_argument("id", metavar="ID", help="by which records know them: M2")
    add.add_argument("--role", choices=roles, default="operator", help="what they do (operator)")
    add.add_argument("--code", action="store_true", help="they sign in with a scanned code and have no PIN")
    add.add_argument("--name", help="their name in print, which their signatures show")
    add.set_defaults(act=_add)
    role = actions.add_parser("role", help="give somebody another role")
    role.add_argument("id", metavar="ID", help="whom")
    role.add_argument("role", choices=roles, help="what they do")
    role.set_defaults(act=_role)
    pin = actions.add_parser("pin", help="give somebody a new PIN")
    code = actions.add_parser("code", help="give somebody a new code to scan")
    for action, act in ((pin, _pin), (code, _code)):
        action.add_argument("id", metavar="ID", help="whom")
        action.set_defaults(act=act)
    name = actions.add_parser("name", help="give somebody another name in print, for their signatures")
    name.add_argument("id", metavar="ID", help="whom")
    name.add_argument("name", metavar="NAME", help='as it stands below a signature: "Mara Example"')
    name.set_defaults(act=_name)
    return [add, role, pin, code, name]


def _add(args: argparse.Namespace, tokens: AccessFile, people: PeopleFile, now_ms: int) -> int:
    if tokens.has(args.id, now_ms):
        raise CommandRefused(f"{args.id} is a token's name", hint="choose another id: both stand in records")
    first = not any(person.counts for person in people.people())
    pin, code = (None, asked_code()) if args.code else (asked_pin(), None)
    made = people.add(args.id, Role(args.role), now_ms, BY, pin=pin, code=code, name=args.name)
    print(f"{made.id} may sign in as {made.role.value}")
    if first:
        print("from now on nobody commands this station without signing in, or a token")
    return 0


def _role(args: argparse.Namespace, _: AccessFile, people: PeopleFile, __: int) -> int:
    made = people.set_role(args.id, Role(args.role), BY)
    print(f"{made.id} is {made.role.value}")
    return 0


def _name(args: argparse.Namespace, _: AccessFile, people: PeopleFile, __: int) -> int:
    made = people.set_name(args.id, args.name, BY)
    print(f"{made.id} signs as {made.name}")
    return 0


def _pin(args: argparse.Namespace, _: AccessFile, people: PeopleFile, now_ms: int) -> int:
    people.set_secret(args.id, now_ms, BY, pin=asked_pin())
    print(f"{args.id} signs in with the new PIN")
    return 0


def _code(args: argparse.Namespace, _: AccessFile, people: PeopleFile, now_ms: int) -> int:
    people.set_secret(args.id, now_ms, BY, code=asked_code())
    print(f"{args.id} signs in with the new code")
    return 0


def asked_pin() -> str:
    """Return a PIN typed twice, or a line of standard input; never an option, which others could read.

    Raises:
        ValueRefused: it can't be one, or was typed otherwise the second time.
    """
    if not sys.stdin.isatty():
        return checked_pin(sys.stdin.readline().strip())
    pin = checked_pin(getpass.getpass("PIN: "))
    if getpass.getpass("the same again: ") != pin:
        raise ValueRefused("the second PIN is not the first", hint="begin again")
    return pin


def asked_code() -> str:
    """Return a code as scanned: a line of standard input, not shown where that is a terminal. Raises `ValueRefused`."""
    if not sys.stdin.isatty():
        return checked_code(sys.stdin.readline().strip())
    return checked_code(getpass.getpass("scan the code: ").strip())


def line_of(person: Person, width: int) -> str:
    """Return somebody as listed."""
    ways = " and ".join(way for way, has in (("PIN", person.pin), ("code", person.code)) if has)
    when = person.added_at if person.revoked_at is None else person.revoked_at
    standing = "since" if person.counts else "revoked"
    return (
        f"{person.id:{width}}  {person.role.value:13}  {standing} {rfc3339(when)[:10]}"
        + (f", {ways}" if ways else "")
        + (f", {person.name}" if person.name else "")
    )
