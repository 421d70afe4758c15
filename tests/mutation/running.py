"""Tests are collected once; each mutant then meets those that reach its statement, in a process forked for it."""

from __future__ import annotations

import builtins
import contextlib
import gc
import importlib
import json
import os
import signal
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from pathlib import Path
from types import FunctionType
from typing import Any

import pytest
from _pytest.runner import runtestprotocol

from tests.mutation.mutants import REACHED, Mutant, marked

DAEMON = Path(__file__).parents[2] / "daemon"
EXAMPLES = 12
"""As many of each property test: what a mutant breaks is found soon, or another test's to find."""
EVERY = 50
"""So often it is told how far it is."""
LONGEST_S = 120
"""A mutant that never ends is as good as found; it bounds a hang, no verdict of a test rests on it."""

Key = tuple[str, int]
"""File and line of a statement."""


class Meeting:
    """A plugin: in place of running the tests it has the mutants meet them."""

    def __init__(self, chosen: Iterable[Mutant]) -> None:
        self.mutants = [*chosen]
        self.killed: dict[str, list[Mutant]] = defaultdict(list)
        self.survived: list[Mutant] = []
        self.failed: list[str] = []
        self._aside = os.dup(2)  # pytest keeps what is printed for itself

    def say(self, line: str) -> None:
        """Tell how far it is, at once."""
        os.write(self._aside, f"{line}\n".encode())

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Shorten property tests."""
        from hypothesis import Phase, settings  # no sooner: pytest rewrites what it is the first to import

        found = (Phase.explicit, Phase.generate)  # the smallest example that fails is nobody's to read here
        for item in items:
            used = getattr(getattr(item, "obj", None), "_hypothesis_internal_use_settings", None)
            if used is not None:
                shorter = settings(
                    used,
                    max_examples=min(used.max_examples, EXAMPLES),
                    phases=found,
                    database=None,
                    derandomize=True,  # or a mutant survives one day and is found the next
                )
                item.obj._hypothesis_internal_use_settings = shorter  # type: ignore[attr-defined]

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """See which tests reach what, then let each mutant meet those."""
        files = {each.file for each in self.mutants}
        self.say(f"  {len(self.mutants)} mutants; first, which of {len(session.items)} tests reach what")
        for file in files:
            importlib.import_module(".".join(file.relative_to(DAEMON).with_suffix("").parts))
        _clear(_caches())  # of what was called while tests were collected
        reached, took, self.failed, imported = _mapped(session.items, _functions(), files)
        if self.failed:
            return True
        for name in imported:  # here once, in place of in each process
            with contextlib.suppress(ImportError):
                importlib.import_module(name)
        by_id = {item.nodeid: item for item in session.items}
        functions = _functions()
        gc.freeze()  # or each process copies what it only counts
        finds: Counter[tuple[str, str]] = Counter()
        for at, mutant in enumerate(self.mutants):
            if at and at % EVERY == 0:
                self.say(f"  {at} of {len(self.mutants)}: {len(self.survived)} that no test finds")
            names = reached[str(mutant.file), mutant.statement]
            # What found the function's others first: a test that looks at its result finds most of them.
            order = sorted(names, key=_sooner(took, finds, mutant.function))
            places = functions[mutant.file, mutant.function]
            if (found := _found_by(mutant, places, [by_id[name] for name in order])) is None:
                self.survived.append(mutant)
                self.say(f"survived {mutant.name}  (line {mutant.line}, {len(names)} tests)")
            else:
                finds[mutant.function, found] += 1
                self.killed[str(mutant.file)].append(mutant)
        return True


def _sooner(
    took: dict[str, float], finds: Counter[tuple[str, str]], function: str
) -> Callable[[str], tuple[float, str]]:
    return lambda name: (took[name] / (1 + finds[function, name]), name)


def _run(items: list[pytest.Item]) -> str | None:
    """Run tests; return the first that fails."""
    for item, after in zip(items, [*items[1:], None], strict=True):
        reports = runtestprotocol(item, log=False, nextitem=after)
        if any(report.failed for report in reports):
            return item.nodeid
    return None


def _mapped(
    items: list[pytest.Item], functions: dict[tuple[Path, str], list[FunctionType]], files: set[Path]
) -> tuple[dict[Key, set[str]], dict[str, float], list[str], list[str]]:
    """Return, of a process of its own, which tests reach each statement, their times, who fails, what is imported."""
    reading, writing = os.pipe()
    if (child := os.fork()) == 0:
        os.close(reading)
        found: dict[Key, set[str]] = defaultdict(set)
        seen: set[Key] = set()
        took, failed = dict[str, float](), []
        setattr(builtins, REACHED, seen.add)
        for file in files:
            for name, code in marked(file):
                for function in functions[file, name]:
                    function.__code__ = code
        before = {*sys.modules}
        caches, loaded = _caches(), len(before)
        for item in items:
            seen.clear()
            begun = time.process_time()
            wrong = _run([item])
            took[item.nodeid] = time.process_time() - begun
            failed += [wrong] if wrong else []
            # What is called once and kept (lru_cache) is called by whoever comes first: all tests of it count.
            for key in seen:
                found[key].add(item.nodeid)
            if len(sys.modules) != loaded:
                caches, loaded = _caches(), len(sys.modules)
            _clear(caches)
        with os.fdopen(writing, "w") as out:
            imported = [name for name in sys.modules if name not in before]
            json.dump([[[*key, [*names]] for key, names in found.items()], took, failed, imported], out)
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading) as told:
        pairs, took, failed, imported = json.load(told)
    os.waitpid(child, 0)
    reached: dict[Key, set[str]] = defaultdict(set)
    reached.update({(file, line): set(names) for file, line, names in pairs})
    return reached, took, failed, imported


def _caches() -> list[Any]:
    """Return what functions of the core keep what they made in."""
    return [
        each
        for each in gc.get_objects()
        if type(each).__name__ == "_lru_cache_wrapper" and str(each.__module__).startswith("gaugepost.")
    ]


def _clear(caches: list[Any]) -> None:
    """Empty what functions keep, so that the next test calls them anew."""
    for each in caches:
        each.cache_clear()
    for name, module in [*sys.modules.items()]:
        if name.startswith("gaugepost.core"):
            for kept in ("_kept", "_said"):
                if isinstance(known := getattr(module, kept, None), dict):
                    known.clear()


def _functions() -> dict[tuple[Path, str], list[FunctionType]]:
    """Return every function that is loaded by its file and qualified name."""
    found: dict[tuple[Path, str], list[FunctionType]] = defaultdict(list)
    for each in gc.get_objects():
        if isinstance(each, FunctionType):
            found[Path(each.__code__.co_filename), each.__code__.co_qualname].append(each)
    return found


def _found_by(mutant: Mutant, places: list[FunctionType], items: list[pytest.Item]) -> str | None:
    """Return the first of these tests that fails with the mutant in the place of its function."""
    if not items:
        return None
    reading, writing = os.pipe()
    if (child := os.fork()) == 0:
        for stream in (1, 2):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream)
        signal.alarm(LONGEST_S)
        for function in places:
            function.__code__ = mutant.code
        found = _run(items)
        os.write(writing, (found or "").encode())
        os._exit(0 if found is None else 1)
    os.close(writing)
    with os.fdopen(reading) as told:
        found = told.read()
    _, status = os.waitpid(child, 0)
    return None if status == 0 else found  # nothing is told where it ended otherwise, as by the alarm
