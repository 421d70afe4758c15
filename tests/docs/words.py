"""Whether the words of a command are ones that its program takes: held to the program's own parser."""

from __future__ import annotations

import argparse
import contextlib
import importlib
import io
import re
import shlex
import subprocess
from functools import cache
from pathlib import Path

from gaugepost.cli import COMMANDS
from tests.docs.documents import ROOT, Command, commands

_PLACEHOLDER = re.compile(r"[A-Z_]{2,}")


def first(text: str) -> list[str]:
    """Return the words of a line's first program: what goes into a file or another program is left out."""
    lexer = shlex.shlex(text, posix=True, punctuation_chars="|<>&;")
    lexer.whitespace_split = True
    words = []
    for word in lexer:
        if word[0] in "|<>&;":
            break
        words.append(word)
    return words


@cache
def parser(command: str) -> argparse.ArgumentParser:
    """Return the parser of one of our commands, as the command line makes it."""
    made = argparse.ArgumentParser(prog=f"gaugepost {command}")
    importlib.import_module(f"gaugepost.commands.{command}").add_arguments(made)
    return made


def refused(text: str) -> str:
    """Return why our program would not take the words of `text`; empty where it would."""
    _, *words = first(text)
    if words[0] not in COMMANDS:
        return f"there is no command {words[0]!r}"
    said = io.StringIO()
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(said):
        try:
            parser(words[0]).parse_args(words[1:])
        except SystemExit as end:
            return said.getvalue() if end.code else ""
    return ""


def is_named(text: str) -> bool:
    """Whether `text` only names a command, or one of its options, which are there."""
    _, command, *words = first(text)
    if command not in COMMANDS:
        return False
    at = parser(command)
    for word in words:
        below = _below(at)
        if word in below:
            at = below[word]
        elif word not in at._option_string_actions:
            return False
    return True


def _below(at: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    for action in at._actions:
        if isinstance(action, argparse._SubParsersAction):
            return dict(action.choices)
    return {}


def is_whole(command: Command) -> bool:
    """Whether it can be typed as it stands, and so has to be: in a sentence a command may also only be named."""
    if command.block or not command.text.startswith("gaugepost "):
        return True
    return not (is_named(command.text) and (refused(command.text) or _only_talked_of(command.text)))


def _only_talked_of(text: str) -> bool:
    """Whether it is the name of a group of commands: `gaugepost bench`."""
    _, command, *words = first(text)
    return not words and bool(_below(parser(command)))


@cache
def targets() -> frozenset[str]:
    """Return what `make` can make."""
    return frozenset(re.findall(r"^([a-z]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE))


def made(text: str) -> str:
    """Return what `make` would run for `text`; fail where it would not."""
    words = first(text)
    done = subprocess.run(
        ["make", "-n", "VENV=nowhere", "PYTHON=python3", *words[1:]],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, f"{text}: {done.stderr}"
    return done.stdout


def told(document: str) -> tuple[Command, ...]:
    """Return the commands that a document says to type, in its order."""
    return tuple(command for command in commands(document) if is_whole(command))


def files_named(words: list[str]) -> list[Path]:
    """Return the words that are files of ours."""
    return [ROOT / word for word in words if word.startswith("deploy/")]
