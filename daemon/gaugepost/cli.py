"""The command line: words in, exit code out. Loads only the command that is named."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from typing import Protocol, cast

from gaugepost import __version__
from gaugepost.core.errors import GaugepostError

COMMANDS = {
    "run": "run the station that a file describes",
    "check": "check a station file without opening anything",
    "reload": "have a running station take its file as it is now",
    "doctor": "find what keeps a station from its work, with remedies",
    "schema": "print the station file's schema, for editors",
    "devices": "list what is plugged in, as a station file names it",
    "teach": "find the description of a gauge that nobody has described",
    "limits": "say what a drawing's limits come to",
    "budget": "print the uncertainty budget of a characteristic",
    "risk": "say how often a decision rule goes wrong on a process",
    "bench": "master and check gauges, say what is in hand, at a running station",
    "deliveries": "see how far each destination got, try again, skip",
    "access": "say who may sign in, and grant tokens to programs",
    "sign": "sign a result, a piece or a lot with your PIN, show what was signed",
    "key": "make the key that signs checkpoints, show its public key, change it",
    "workbook": "make an inspection sheet that fills itself, look at yours",
    "watch": "show records as they happen",
    "drift": "show how gauges' offsets and deviations at checks went over time",
    "export": "write a journal's records as CSV or JSON",
    "trace": "list what depended on a master, gauge, mastering or thermometer, and what becomes of it",
    "verify": "prove that a journal is whole and unchanged",
    "backup": "copy a journal into one file while the station runs",
    "restore": "make a journal of a backup",
    "prepare": "go through a journal ahead of an update, so that the start after it is short",
    "archive": "move records of years ago into a compressed file",
    "salvage": "copy what is whole of a damaged journal into a new one",
    "capture": "write what a gauge sends into a file, to replay or hand on",
    "demo": "try it all with a simulated station",
}
_BEGIN = """\
how to begin:
  gaugepost demo                    look around, no gauge needed
  gaugepost limits "45 H8"          what a drawing asks for
  gaugepost check station.toml      is the station file right?
  gaugepost run station.toml        listen, record, publish
  gaugepost bench show              how the gauges stand

"gaugepost COMMAND --help" says more about one command
exit code: 0; 1 where the answer is no; 2 where something must be put right first
"""


class _Command(Protocol):
    def add_arguments(self, parser: argparse.ArgumentParser) -> None: ...

    def run(self, args: argparse.Namespace) -> int: ...


class _Help(argparse.RawDescriptionHelpFormatter):
    """Keeps a command and what it does on one line: Python 3.11 reckons their column without their indent."""

    def add_argument(self, action: argparse.Action) -> None:
        super().add_argument(action)
        for command in self._iter_indented_subactions(action):
            width = self._current_indent + len(self._format_action_invocation(command))
            self._action_max_length = max(self._action_max_length, width)


def main(argv: Sequence[str] | None = None) -> int:
    """Run what the command line says; return the exit code. A bug of ours comes out as its traceback."""
    words = list(sys.argv[1:] if argv is None else argv)
    try:
        code = _run(words)
        sys.stdout.flush()
    except GaugepostError as error:
        print(error.finding, file=sys.stderr)
        if error.hint:
            print(f"  {error.hint}", file=sys.stderr)
        return 2
    except PermissionError as error:
        if not _was_named(words, str(error.filename or "")):
            raise
        print(f"gaugepost {words[0]}: {error.filename}: {error.strerror}", file=sys.stderr)
        print("  do it as the service's user, or as root (sudo)", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # Whoever read our output has had enough; the interpreter's own flush at the end must not fail over it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 141
    return code


def _run(words: list[str]) -> int:
    parser = argparse.ArgumentParser(
        prog="gaugepost",
        description="The bench service for hand gauges: corrects, judges, records and publishes every reading.",
        epilog=_BEGIN,
        formatter_class=_Help,
    )
    parser.add_argument("--version", action="version", version=f"gaugepost {__version__}")
    named = words[0] if words else ""
    if named and not named.startswith("-") and named not in COMMANDS:
        return _unknown(named)
    commands = parser.add_subparsers(metavar="COMMAND", title="commands")
    for name, brief in COMMANDS.items():
        below = commands.add_parser(name, help=brief)
        if name == named:
            command = cast(_Command, importlib.import_module(f"gaugepost.commands.{name}"))
            command.add_arguments(below)
            below.set_defaults(run=command.run)
    if not words:
        parser.print_help(sys.stderr)
        return 2
    args = parser.parse_args(words)
    code: int = args.run(args)
    return code


def _was_named(words: Sequence[str], path: str) -> bool:
    """Tell whether a path is one that the command line names, or below one: then it is no bug that it is closed."""
    return any(path == word or path.startswith(f"{word.rstrip('/')}/") for word in words[1:] if word)


def _unknown(named: str) -> int:
    import difflib

    meant = difflib.get_close_matches(named, COMMANDS, n=1)
    hint = f"did you mean {meant[0]}?" if meant else f"there are: {', '.join(COMMANDS)}"
    print(f"gaugepost has no command {named!r}; {hint}", file=sys.stderr)
    return 2
