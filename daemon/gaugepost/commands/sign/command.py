"""`gaugepost sign`: a person signs records at a running station, and what was signed is shown."""

from __future__ import annotations

import argparse
import getpass
import json
import sys

from gaugepost.commands.talk import Document, Service, add_at, service_of
from gaugepost.core.errors import ValueRefused
from gaugepost.core.record import MEANINGS

_EPILOG = """\
A signature is a record: who, their name in print, when, as what, and a hash over exactly what is signed. It can't be
taken off or put on anything else, and `gaugepost verify` holds it against what it signs. An amendment, a void, another
judgement or a suspicion that comes later changes nothing of it: it is shown as signed before that.

Who signs has a name in print (`gaugepost access name ID NAME`) and proves who they are each time: with --as ID the PIN
is asked for, or read from standard input; with --code the code to scan. Approval and responsibility take a setter or an
administrator. Records go by their id or their sequence, as `gaugepost watch` and the CSV files show them.

examples:
  gaugepost sign record 1284 --as M2 --meaning review
  gaugepost sign piece L-0311 17 --as M2 --meaning authorship
  gaugepost sign lot L-0311 --as M1 --meaning approval --reason "first article inspection"
  gaugepost sign span 1200 1284 --as M1 --meaning responsibility
  gaugepost sign show --lot L-0311

exit code: 0; 1 where `show` has one that does not hold; 2 where it can't be signed
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the actions to `parser`."""
    parser.description = "Sign a result, a piece, a lot or a span of records, or show what was signed."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    actions = parser.add_subparsers(metavar="ACTION", title="actions", required=True)
    record = actions.add_parser("record", help="sign one record: a reading, a result, a check, a mastering")
    record.add_argument("record", metavar="RECORD", help="its id or sequence")
    piece = actions.add_parser("piece", help="sign all that is on record of a piece")
    piece.add_argument("lot", metavar="LOT")
    piece.add_argument("piece", metavar="PIECE")
    lot = actions.add_parser("lot", help="sign all that is on record of a lot")
    lot.add_argument("lot", metavar="LOT")
    span = actions.add_parser("span", help="sign every record from one to another")
    span.add_argument("first", metavar="FIRST", help="id or sequence of the first")
    span.add_argument("last", metavar="LAST", help="and of the last")
    for action in (record, piece, lot, span):
        action.add_argument("--as", dest="id", metavar="ID", required=True, help="who signs")
        action.add_argument("--meaning", choices=MEANINGS, required=True, help="as what")
        action.add_argument("--reason", help="a note beside it")
        action.add_argument("--code", action="store_true", help="they scan their code and have no PIN")
        action.set_defaults(act=_sign)
    show = actions.add_parser("show", help="show what was signed, by whom, as what, and how it stands")
    show.add_argument("--record", metavar="RECORD", help="only what signs this record")
    show.add_argument("--lot", help="only of this lot, its pieces and records")
    show.add_argument("--piece", help="only of this piece")
    show.add_argument("--limit", type=int, help="most of them, the latest first (50)")
    show.add_argument("--json", action="store_true", help="as one JSON object")
    show.set_defaults(act=_show)
    for action in (record, piece, lot, span, show):
        add_at(action)


def run(args: argparse.Namespace) -> int:
    """Do what is asked; return the exit code. Raises `GaugepostError` where it can't be done."""
    code: int = args.act(args, service_of(args))
    return code


def _sign(args: argparse.Namespace, service: Service) -> int:
    secret = {"code" if args.code else "pin": _asked("scan the code: " if args.code else "PIN: ")}
    known = ("record", "lot", "piece", "first", "last", "meaning", "reason")
    said = {key: value for key in known if (value := getattr(args, key, None)) is not None}
    sign_in = secret if args.code else {"id": args.id, **secret}
    with service.signed_in(sign_in):
        answer = service.send("POST", "/v1/signatures", {**said, "id": args.id, **secret})
    print(answer["text"])
    print(f"record {answer['records'][-1]}")
    return 0


def _asked(prompt: str) -> str:
    """Return a PIN or a code: a line of standard input, not shown where that is a terminal; never an option."""
    said = (getpass.getpass(prompt) if sys.stdin.isatty() else sys.stdin.readline()).strip()
    if not said:
        raise ValueRefused("nothing was typed", hint="type the PIN, or scan the code")
    return said


def _show(args: argparse.Namespace, service: Service) -> int:
    answer = service.get(
        "/v1/signatures", record=args.record, lot=args.lot, piece=args.piece, limit=args.limit
    )
    found: list[Document] = answer["signatures"]
    if args.json:
        print(json.dumps(answer, ensure_ascii=False, indent=1))
    elif not found:
        print("nothing is signed")
    for each in () if args.json else found:
        print(f"{each['signed_at']}  {_about(each)}: {each['meaning']}")
        print(f"  {each['printed_name']} ({each['signed_by']}), record {each['sequence']}")
        if each["reason"]:
            print(f"  {each['reason']}")
        print(f"  {_standing(each)}")
    return 1 if any(each["holds"] is False for each in found) else 0


def _about(each: Document) -> str:
    if each["what"] == "piece":
        return f"piece {each['piece']} of lot {each['lot']}, {each['count']} records"
    if each["what"] == "lot":
        return f"lot {each['lot']}, {each['count']} records"
    first, last = (each[key].rpartition("-")[2] for key in ("first", "last"))
    return f"record {first}" if each["what"] == "record" else f"records {first} to {last}"


def _standing(each: Document) -> str:
    if each["holds"] is None:
        return "what it signs is in an archive"
    return str(each["standing"]) if each["holds"] else "DOES NOT HOLD: what it signs is not what is here"
