"""Words about deliveries, as requests to the running service."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable

from gaugepost.commands.deliveries.lines import in_full, table
from gaugepost.commands.talk import Document, Service, action, add_at, named, service_of
from gaugepost.core.errors import ValueRefused

_EPILOG = """\
A destination that is unreachable is tried again by itself, with pauses of half a minute at most; one that is broken
waits for `retry`. What a destination refused is set aside, and what comes after it goes on.

examples:
  gaugepost deliveries                        every destination
  gaugepost deliveries show charts            one of them: what it refused, and why
  gaugepost deliveries retry charts           try now
  gaugepost deliveries retry charts --all     hand everything that it refused over again
  gaugepost deliveries skip charts 1207 --reason "test piece" --operator M2

exit code: 0; 1 where a destination that was tried is not reached; 2 where it can't be done
"""
_RETRY = """\
Without records: try at once where it is unreachable, begin again where it is broken.
With records, or --all: hand over again what was refused, once the far side would take it. They go out of order, in
batches of their own, under their old ids, and leave the list when they are taken.

examples:
  gaugepost deliveries retry charts
  gaugepost deliveries retry charts 1207 1208 --operator M2
"""
_SKIP = """\
Leaves records out that were refused, or that block the way because the destination breaks or stops over them. They
stay in the journal, and on the list of what was skipped, with who, when and why.

examples:
  gaugepost deliveries skip charts 1207 --reason "test piece" --operator M2
  gaugepost deliveries skip charts --batch KEY --reason "..." --operator M2    the whole batch that blocks; show
                                                                               gives its KEY
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the actions to `parser`; without one, every destination is listed."""
    parser.description = "See how far each destination got, and look after what it did not take."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.set_defaults(act=_list)
    _common(parser)
    actions = parser.add_subparsers(metavar="ACTION", title="actions")

    show = _of_one(
        action(actions, "show", "one destination: what it refused and why, what was done about it", "", _show)
    )
    show.add_argument(
        "--limit", type=int, metavar="N", help="records and commands shown, the latest (else 100)"
    )

    retry = _of_one(
        action(actions, "retry", "try at once, or hand refused records over again", _RETRY, _retry)
    )
    retry.add_argument("records", metavar="ID", nargs="*", help="a refused record, by id or sequence")
    retry.add_argument("--all", action="store_true", help="everything that it refused")
    retry.add_argument("--operator", help="who, where that is not the operator in hand")
    retry.add_argument("--reason", help="why")

    skip = _of_one(
        action(actions, "skip", "leave records out that were refused or block the way", _SKIP, _skip)
    )
    skip.add_argument("records", metavar="ID", nargs="*", help="the record, by id or sequence")
    skip.add_argument("--batch", metavar="KEY", help="the whole batch that is under way")
    skip.add_argument("--reason", required=True, help="why")
    skip.add_argument("--operator", required=True, help="who")


def run(args: argparse.Namespace) -> int:
    """Do the action that was named; return the exit code.

    Raises:
        GaugepostError: the service can't be reached or refuses, with what to do.
    """
    code: int = args.act(service_of(args), args)
    return code


def _common(parser: argparse.ArgumentParser, *, below: bool = False) -> None:
    """Add what may stand before an action as well as after it; what is left out after it takes nothing back."""
    add_at(parser, below=below)
    parser.add_argument(
        "--json",
        action="store_true",
        default=argparse.SUPPRESS if below else False,
        help="as one JSON object",
    )


def _of_one(parser: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Have an action take the destination that it is about."""
    parser.add_argument("name", metavar="NAME", help="the destination's name in the station file")
    _common(parser, below=True)
    return parser


def _list(service: Service, args: argparse.Namespace) -> int:
    answer = service.get("/v1/destinations")
    _print(answer, args, table(answer["destinations"]))
    return 0


def _show(service: Service, args: argparse.Namespace) -> int:
    answer = service.get(named("destinations", args.name), limit=args.limit)
    _print(answer, args, in_full(answer))
    return 0


def _retry(service: Service, args: argparse.Namespace) -> int:
    said = _given(args, "operator", "reason")
    if args.records:
        said["records"] = args.records
    if args.all:
        said["all"] = True
    return _commanded(service, args, said)


def _skip(service: Service, args: argparse.Namespace) -> int:
    if bool(args.records) == (args.batch is not None):
        raise ValueRefused("which records is not said, or twice", hint="name records, or give --batch KEY")
    said = _given(args, "operator", "reason", "batch")
    if args.records:
        said["records"] = args.records
    return _commanded(service, args, said)


def _commanded(service: Service, args: argparse.Namespace, said: Document) -> int:
    what = "skip" if args.act is _skip else "retry"
    answer = service.send("POST", named("destinations", args.name, what), said)
    destination = answer["destination"]
    _print(answer, args, [answer["text"], *table([destination])])
    reached = destination["state"] in ("idle", "delivering")
    return 0 if reached or what == "skip" or "records" in said or "all" in said else 1


def _given(args: argparse.Namespace, *keys: str) -> Document:
    return {key: value for key in keys if (value := getattr(args, key)) is not None}


def _print(answer: Document, args: argparse.Namespace, lines: Iterable[str]) -> None:
    if args.json:
        print(json.dumps(answer, ensure_ascii=False))
    else:
        print(*lines, sep="\n")
