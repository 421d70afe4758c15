"""Has a running station take its file as it is now."""

from __future__ import annotations

import argparse

from gaugepost.commands.talk import add_at, service_of

_EPILOG = """\
Gauges that are not touched go on without a frame lost; their masterings count on. A gauge whose entry, master or
temperatures were edited is to be checked before its next verdict. What is read of a master just now must be finished or
abandoned first, where the edit touches it.
Of [station] and [service] only lot_checks, decision_rule, level_of_confidence and rounding are taken; the rest needs
another start, and is refused until then.

examples:
  gaugepost check station.toml && gaugepost reload --reason "drawing 4711-b"
  systemctl reload gaugepost        the same; look in its log for the answer

exit code: 0 where the file was taken; 2 where all stays as it was
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments and description to `parser`."""
    parser.description = "Have a running station read its file again and take all of it, or nothing."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--reason", help="why, for the record")
    parser.add_argument("--operator", help="who, where that is not the operator in hand")
    add_at(parser)


def run(args: argparse.Namespace) -> int:
    """Have the file taken; print what is otherwise now, and what the file is warned of.

    Raises:
        GaugepostError: it was not taken, with everything that is in the way.
    """
    said = {"reason": args.reason, "operator": args.operator}
    answer = service_of(args).send(
        "POST", "/v1/station/reload", {key: value for key, value in said.items() if value is not None}
    )
    for change in answer["changes"] or [answer["text"]]:
        print(change)
    for each in answer["warnings"]:
        print(f"warning: line {each['line']}: {each['key']}: {each['finding']}; {each['write']}".rstrip("; "))
    return 0
