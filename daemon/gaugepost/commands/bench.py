"""`gaugepost bench`: what a person does at a running station before and between measuring."""

from __future__ import annotations

import argparse
import json

from gaugepost.commands.talk import Document, Service, action, add_at, named, service_of
from gaugepost.core.errors import ValueRefused

REPORTS = ("knock", "contacts", "extension", "preset", "battery", "repair")
ATTEMPTS = ("bad-seating", "rework", "recheck")
TAGS = ("operator", "lot", "piece", "position", "characteristic")

_CAUTION = """\
before the gauge goes into a bore: the spindle stands still and can't be started (locked off), never only stopped
parts may be hot, their edges sharp; burrs cut fingers and spoil readings; compressed air throws chips into eyes
the rules of your shop come first
"""
_MASTER = f"""\
Wipe the master and the contacts, let both come to one temperature, then read the master as the service says.
The serial number is the one engraved on the master in your hand: read it off, don't copy it from a list. Where a
scanner reads masters, leave --serial out and scan the master when you are told to.
A gauge with a display from a master or from a nominal is mastered on two masters, or moved once after the readings in
a direction that you name: that proves which way it counts.

examples:
  gaugepost bench master bore-38 ring-38 --serial 4711 --wait
  gaugepost bench master bore-38 ring-38 ring-37 --serial 4711 --serial 4712
  gaugepost bench master dial-7 ring-38 --serial 4711 --movement larger --wait

{_CAUTION}
exit code: 0 where it was begun, or with --wait accepted; 1 where it was not accepted; 2 where it can't be begun
"""
_CHECK = f"""\
The master is measured as if it were a part, and held against its certified size.
A check that fails puts everything in doubt that the gauge measured since the last good one.

example:
  gaugepost bench check bore-38 ring-38 --serial 4711 --wait

{_CAUTION}
exit code: 0 where it was begun, or with --wait passed; 1 where it failed; 2 where it can't be begun
"""
_VOID = """\
The record stays, with a new one that says who voided it, when and why; results made of it are void too.
Records go by their id or their sequence, as `gaugepost watch` and the CSV files show them.

example:
  gaugepost bench void 1284 --reason "chip under a contact"
"""
_AMEND = """\
Only what a reading was tied to can be put right, its value never. The earlier record stays.

example:
  gaugepost bench amend 1284 --piece 17 --reason "wrong number called out"
"""
_REPORT = f"""\
Where the station file names contact sets for the gauge, a change of contacts says which set is on it now.

examples:
  gaugepost bench report bore-38 knock --note "fell on the bench"
  gaugepost bench report bore-38 contacts --contact-set B

{_CAUTION}"""
_SUSPECT = """\
Each destination is told; the gauge is to be checked before its next verdict. What is older, or hangs on a master or a
thermometer: gaugepost trace.

example:
  gaugepost bench suspect bore-38 --reason "a contact is chipped"
"""
_LIFT = """\
The mark stays, and a record beside it says who lifted it, when, why and by which check; destinations are told. After a
check that failed it takes a good one on the same ring, under the same mastering: wipe both, let them come to one
temperature, check again. Where a ring was doubted, not a gauge, your word is enough.

examples:
  gaugepost bench suspects
  gaugepost bench lift 1207 --reason "chip between ring and contact: wiped, checked again"
"""
_SET = """\
What is left out stays as it is; another lot clears the piece. With lot checks, another lot asks for a check.

examples:
  gaugepost bench set --operator M2 --lot L-0311 --piece 1
  gaugepost bench set --piece 2 --clear position
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the actions at the bench to `parser`."""
    parser.description = (
        "Work at a running station: see how gauges stand, master and check them, say what is in hand."
    )
    parser.epilog = _CAUTION
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    actions = parser.add_subparsers(metavar="ACTION", title="actions", required=True)
    show = action(actions, "show", "how gauges, links and destinations stand, and what is in hand", "", _show)
    show.add_argument("--json", action="store_true", help="as one JSON object")

    master = action(
        actions, "master", "read one master or two, so that their sizes fix the gauge", _MASTER, _master
    )
    master.add_argument("gauge", metavar="GAUGE")
    master.add_argument(
        "masters", metavar="MASTER", nargs="+", help="the master in hand, or two in the order of reading"
    )
    master.add_argument(
        "--serial",
        action="append",
        default=[],
        help="serial number read off the master; once for each master",
    )
    master.add_argument(
        "--movement", choices=["larger", "smaller"], help="how the size changes in one last reading"
    )
    _procedure(master)

    check = action(actions, "check", "measure a master as if it were a part", _CHECK, _check)
    check.add_argument("gauge", metavar="GAUGE")
    check.add_argument("master", metavar="MASTER", help="the master in hand")
    check.add_argument("--serial", help="serial number read off the master")
    _procedure(check)

    abandon = action(actions, "abandon", "give up the mastering or check that is going on", "", _abandon)
    abandon.add_argument("gauge", metavar="GAUGE")
    abandon.add_argument("--reason", help="why")
    abandon.add_argument("--operator", help="who, where that is not the operator in hand")

    finish = action(
        actions, "finish", "end the mastering or check with the readings taken so far", "", _finish
    )
    finish.add_argument("gauge", metavar="GAUGE")
    finish.add_argument("--operator", help="who, where that is not the operator in hand")

    request = action(actions, "request", "ask a gauge for its value", _CAUTION, _request)
    request.add_argument("gauge", metavar="GAUGE")

    again = action(actions, "again", "measure the piece in hand once more, and say why", _CAUTION, _again)
    again.add_argument("gauge", metavar="GAUGE")
    again.add_argument("why", metavar="WHY", choices=ATTEMPTS, help=", ".join(ATTEMPTS))
    again.add_argument("--note", help="more about it")
    again.add_argument("--operator", help="who, where that is not the operator in hand")

    void = action(actions, "void", "say that a measurement does not count", _VOID, _void)
    amend = action(
        actions, "amend", "put right which lot, piece or place a reading belongs to", _AMEND, _amend
    )
    for parser_of_record in (void, amend):
        parser_of_record.add_argument("record", metavar="RECORD", help="its id or its sequence")
        parser_of_record.add_argument("--reason", required=True, help="why")
        parser_of_record.add_argument("--operator", help="who, where that is not the operator in hand")
    for tag in ("lot", "piece", "position"):
        amend.add_argument(f"--{tag}", metavar=tag.upper())

    tags = action(actions, "set", "say who measures and what is in hand", _SET, _set)
    for tag in TAGS:
        tags.add_argument(f"--{tag}", metavar=tag.upper())
    tags.add_argument(
        "--clear", metavar="KEY", action="append", default=[], choices=TAGS, help=", ".join(TAGS)
    )

    suspect = action(
        actions, "suspect", "put in doubt what a gauge measured since its last good check", _SUSPECT, _suspect
    )
    suspect.add_argument("gauge", metavar="GAUGE")
    suspect.add_argument("--reason", required=True, help="why")
    suspect.add_argument("--operator", help="who, where that is not the operator in hand")

    suspects = action(actions, "suspects", "what is suspect, and why", "", _suspects)
    suspects.add_argument("--all", action="store_true", help="what was lifted too, by whom and why")
    suspects.add_argument("--json", action="store_true", help="one JSON object, with all of them")

    lift = action(actions, "lift", "say that what was suspect counts after all", _LIFT, _lift)
    lift.add_argument("record", metavar="RECORD", help="id or sequence of the record that marked it")
    lift.add_argument("--reason", required=True, help="why")
    lift.add_argument("--operator", help="who, where that is not the operator in hand")

    report = action(
        actions, "report", "say what was done to a gauge: it is to be checked then", _REPORT, _report
    )
    report.add_argument("gauge", metavar="GAUGE")
    report.add_argument("what", metavar="WHAT", choices=REPORTS, help=", ".join(REPORTS))
    report.add_argument("--contact-set", metavar="NAME", help="which contact set is on it now, for contacts")
    report.add_argument("--note", help="more about it")
    report.add_argument("--operator", help="who, where that is not the operator in hand")
    for each in actions.choices.values():
        add_at(each)


def run(args: argparse.Namespace) -> int:
    """Do the action that was named; return the exit code.

    Raises:
        GaugepostError: the service can't be reached or refuses, with what to do.
    """
    code: int = args.act(service_of(args), args)
    return code


def _procedure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--readings", type=int, metavar="N", help="how many of each master; else as the station file says"
    )
    parser.add_argument("--operator", help="who, where that is not the operator in hand")
    parser.add_argument("--wait", action="store_true", help="follow it: print each reading and the outcome")


def _show(service: Service, args: argparse.Namespace) -> int:
    station: Document = {"station": service.get("/v1/station"), "health": service.get("/v1/health")}
    for part in ("gauges", "links", "destinations", "suspects"):
        station |= service.get(f"/v1/{part}")
    if args.json:
        print(json.dumps(station, ensure_ascii=False))
    else:
        from gaugepost.commands.standing_table import table

        print("\n".join(table(station)))
    return 0


def _master(service: Service, args: argparse.Namespace) -> int:
    said = {"masters": args.masters, "serials": args.serial, "movement": args.movement}
    return _begin(service, args, "mastering", said)


def _check(service: Service, args: argparse.Namespace) -> int:
    return _begin(service, args, "check", {"master": args.master, "serial": args.serial})


def _begin(service: Service, args: argparse.Namespace, what: str, said: Document) -> int:
    said |= {"readings": args.readings, "operator": args.operator}
    after = service.get("/v1/station")["head"]
    link = service.get(named("gauges", args.gauge))["link"]
    print(_command(service, "POST", named("gauges", args.gauge, what), said), flush=True)
    if not args.wait:
        return 0
    from gaugepost.commands.follow import follow

    return follow(service, args.gauge, link, after)


def _abandon(service: Service, args: argparse.Namespace) -> int:
    said = {"reason": args.reason, "operator": args.operator}
    print(_command(service, "DELETE", named("gauges", args.gauge, "procedure"), said))
    return 0


def _finish(service: Service, args: argparse.Namespace) -> int:
    path = named("gauges", args.gauge, "procedure", "finish")
    print(_command(service, "POST", path, {"operator": args.operator}))
    return 0


def _request(service: Service, args: argparse.Namespace) -> int:
    print(_command(service, "POST", named("gauges", args.gauge, "request"), {}))
    return 0


def _again(service: Service, args: argparse.Namespace) -> int:
    said = {"why": args.why, "note": args.note, "operator": args.operator}
    print(_command(service, "POST", named("gauges", args.gauge, "attempts"), said))
    return 0


def _void(service: Service, args: argparse.Namespace) -> int:
    said = {"reason": args.reason, "operator": args.operator}
    print(_command(service, "POST", named("records", args.record, "void"), said))
    return 0


def _amend(service: Service, args: argparse.Namespace) -> int:
    said = {key: getattr(args, key) for key in ("reason", "operator", "lot", "piece", "position")}
    print(_command(service, "POST", named("records", args.record, "amendment"), said))
    return 0


def _set(service: Service, args: argparse.Namespace) -> int:
    given = {tag: getattr(args, tag) for tag in TAGS if getattr(args, tag) is not None}
    if both := sorted(given.keys() & set(args.clear)):
        raise ValueRefused(f"{both[0]} is both set and cleared", hint="say one of the two")
    if not given and not args.clear:
        raise ValueRefused("nothing to set was said", hint="say for example --lot L-0311 --piece 1")
    answer = service.send("PUT", named("tags"), given | dict.fromkeys(args.clear))
    print(answer["text"])
    return 0


def _report(service: Service, args: argparse.Namespace) -> int:
    said = {key: getattr(args, key) for key in ("what", "contact_set", "note", "operator")}
    print(_command(service, "POST", named("gauges", args.gauge, "reports"), said))
    return 0


def _suspect(service: Service, args: argparse.Namespace) -> int:
    said = {"reason": args.reason, "operator": args.operator}
    print(_command(service, "POST", named("gauges", args.gauge, "suspect"), said))
    return 0


def _lift(service: Service, args: argparse.Namespace) -> int:
    said = {"reason": args.reason, "operator": args.operator}
    print(_command(service, "POST", named("records", args.record, "lifting"), said))
    return 0


def _suspects(service: Service, args: argparse.Namespace) -> int:
    told = service.get(named("suspects"))
    if args.json:
        print(json.dumps(told, ensure_ascii=False))
        return 0
    from gaugepost.commands.view.style import Style, clean

    shown = [each for each in told["suspects"] if each["open"] or args.all]
    for each in shown:
        what = f"{each['sequence']}: {each['count']} readings of {each['gauge']}, {each['first']} to {each['last']}"
        on = f" on {each['master']}" if each["master"] else ""
        by = f" by {each['marked_by']}" if each["marked_by"] else ""
        print(clean(f"{what}{on}, since {each['marked_at']}{by}: {each['reason']}", Style()))
        if (lifted := each["lifted"]) is not None:
            print(clean(f"  lifted {lifted['at']} by {lifted['by']}: {lifted['reason']}", Style()))
    if not shown:
        print("nothing is suspect")
    return 0


def _command(service: Service, method: str, path: str, said: Document) -> str:
    answer = service.send(method, path, {key: value for key, value in said.items() if value is not None})
    return str(answer["text"])
