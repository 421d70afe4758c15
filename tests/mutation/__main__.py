"""`make mutants`, or `make mutants ARGS="form --only places.py"`: what could be wrong without a test noticing.

Each mutant is a function of the core with one thing exchanged. At least 85 % of a room's must be found by its tests,
and every other one, and no more, stands in survivors/ROOM.txt: a reason why nothing needs to find it, then below it,
each indented by two spaces, the names of those it is given for, as they are printed. It ends with 1 where that is not
so, which says nothing of the tests themselves: those that fail before anything is changed end it with 2.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

import pytest

from tests.mutation.mutants import mutants
from tests.mutation.running import Meeting

CORE = Path(__file__).parents[2] / "daemon" / "gaugepost" / "core"
TESTS = Path(__file__).parents[1]
SURVIVORS = Path(__file__).parent / "survivors"
WANTED = 0.85

ROOMS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "form": (("form/*.py",), ("form", "form_weights", "bench_form", "uncertainty_differing")),
    "conformity": (
        ("conformity/*.py",),
        ("risk_asked", "conformity", "decision_rules", "verdict", "risk", "bench_judging"),
    ),
    "distributions": (("distributions/*.py",), ("distributions", "conformity")),
    "uncertainty": (
        ("uncertainty/*.py",),
        (
            "uncertainty_gum",
            "uncertainty_combining",
            "uncertainty_contributions",
            "uncertainty_gauging",
            "uncertainty_rank",
            "uncertainty_differing",
            "uncertainty_common",
            "uncertainty_checks",
            "uncertainty_monte_carlo",
            "budget_two_masters",
            "bench_combining",
        ),
    ),
    "lengths": (
        ("mastering.py", "thermal.py", "quantity.py", "masters/*.py"),
        ("quantity", "thermal", "masters_classes", "bench_mastering", "bench_measuring", "mastering_trust"),
    ),
    "judging": (
        ("bench/judging/*.py", "bench/combining/*.py"),
        (
            "bench_judging",
            "bench_combining",
            "bench_form",
            "bench_measuring",
            "bench_afterwards",
            "bench_groups",
            "doubting_groups",
            "uncertainty_checks",
            "uncertainty_differing",
            "trace_then",
            "journals/golden_derivations",
        ),
    ),
    "budgeting": (
        ("bench/budgeting/*.py",),
        (
            "budget_bodies",
            "budget_rules",
            "budget_expected",
            "budget_scatter",
            "budget_document",
            "budget_differing",
            "budget_two_masters",
            "uncertainty_gauging",
            "uncertainty_differing",
            "uncertainty_checks",
            "uncertainty_monte_carlo",
            "bench_combining",
            "bench_properties",
        ),
    ),
    "limits": (("tolerance.py", "iso286.py"), ("tolerance", "iso286")),
    "measuring": (
        ("bench/measuring.py", "bench/standing.py", "bench/temperatures.py", "bench/derive.py"),
        (
            "bench_temperatures",
            "bench_edges",
            "bench_told",
            "bench_measuring",
            "bench_mastering",
            "bench_afterwards",
            "bench_derive",
            "derive_flags",
            "journals/golden_derivations",
            "bench_properties",
            "mastering_trust",
        ),
    ),
    "arrivals": (
        ("bench/arrivals/*.py",),
        (
            "arrivals",
            "bench_triggers",
            "bench_window",
            "window_edges",
            "contacts_and_scans",
            "bench_temperatures",
        ),
    ),
    "deciding": (("bench/decide.py", "bench/plain.py"), ("bench_happenings", "arrivals", "bench_reload")),
    "applying": (
        ("bench/apply.py", "bench/state.py"),
        (
            "bench_missing",
            "bench_applied",
            "arrivals",
            "bench_counts",
            "bench_happenings",
            "bench_afterwards",
            "bench_combining",
            "bench_groups",
            "bench_form",
            "bench_reload",
            "bench_procedures",
            "bench_measuring",
            "bench_triggers",
            "contacts_and_scans",
            "mastering_trust",
            "schedule",
            "lifting",
            "doubting_groups",
            "trace_rules",
        ),
    ),
    "mastering": (
        ("bench/outcomes.py", "bench/procedures.py"),
        (
            "bench_edges",
            "bench_told",
            "bench_procedures",
            "bench_mastering",
            "mastering_trust",
            "contacts_and_scans",
            "schedule",
            "uncertainty_checks",
            "journals/golden_derivations",
        ),
    ),
    "schedule": (("bench/schedule.py",), ("schedule", "schedule_edges", "bench_mastering")),
    "trust": (
        ("bench/trust/*.py",),
        (
            "trust_steps",
            "trust_edges",
            "bench_edges",
            "mastering_trust",
            "contacts_and_scans",
            "bench_mastering",
            "schedule",
            "uncertainty_gauging",
        ),
    ),
    "tracing": (
        ("bench/tracing/*.py",),
        (
            "trace_asked",
            "trace_basis",
            "trace_dependants",
            "trace_lived",
            "trace_rejudging",
            "trace_reliving",
            "trace_then",
            "trace_revision",
            "trace_rules",
            "trace_steps",
            "bench_measuring",
            "bench_judging",
            "journals/golden_derivations",
        ),
    ),
    "drift": (("drift/*.py",), ("drift", "drift_document")),
    "nouns": (
        (
            "record.py",
            "setup.py",
            "publication.py",
            "indication.py",
            "frozen.py",
            "errors.py",
            "materials.py",
        ),
        ("setup_documents", "publication", "frozen", "errors", "materials"),
    ),
    "access": (("access/*.py",), ("access", "access_entries")),
    "evidence": (("evidence/*.py",), ("evidence",)),
    "shown": (("shown/*.py",), ("shown",)),
    "sayings": (
        ("bench/commands/*.py",),
        (
            "afterwards_records",
            "doubting",
            "doubting_groups",
            "lifting_evidence",
            "signing",
            "reports_and_tags",
            "bench_afterwards",
            "bench_reload",
            "bench_told",
            "bench_edges",
            "bench_measuring",
            "bench_mastering",
            "bench_combining",
            "bench_form",
            "bench_triggers",
            "contacts_and_scans",
            "lifting",
            "trace_rejudging",
            "trace_asked",
            "schedule",
        ),
    ),
}
"""By room: what is mutated, and the tests that it has to pass: of tests/core, or of the folder that is named."""


def main(arguments: list[str]) -> int:
    """Have the mutants of the named rooms, or all, meet their tests; return 0 where enough of them are found."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.mutation",
        description="What in the core could be wrong without a test noticing.",
    )
    parser.add_argument("rooms", nargs="*", metavar="ROOM", help=f"one of {', '.join(ROOMS)}; none: all")
    parser.add_argument(
        "--only",
        action="append",
        metavar="FILE",
        help="of the rooms only this file, as risk.py; can be repeated",
    )
    asked = parser.parse_args(arguments)
    if unknown := [name for name in asked.rooms if name not in ROOMS]:
        print(f"no room is named {unknown[0]!r}; there are: {', '.join(ROOMS)}", file=sys.stderr)
        return 2
    # One room, one process: its tests are collected where nothing was changed before.
    results = [_apart(name, asked.only) for name in asked.rooms or ROOMS]
    return max(results)


def _apart(name: str, only: list[str] | None) -> int:
    if (child := os.fork()) == 0:
        code = _room(name, only)
        sys.stdout.flush()
        os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def _room(name: str, only: list[str] | None) -> int:
    patterns, tests = ROOMS[name]
    files = [file for pattern in patterns for file in sorted(CORE.glob(pattern))]
    if only is not None:
        files = [file for file in files if file.name in only]
    if not files:
        print(f"{name} has no file {' or '.join(only or [])}", file=sys.stderr)
        return 2
    meeting = Meeting(mutant for file in files for mutant in mutants(file))
    chosen = [str(path_of(each)) for each in tests]
    code = pytest.main(
        [*chosen, "-q", "--tb=native", "-p", "no:cacheprovider", "-k", "not command and not daemon"],
        plugins=[meeting],
    )
    if meeting.failed or code not in (0, pytest.ExitCode.NO_TESTS_COLLECTED):
        print(f"{name}: tests fail before anything is changed: {', '.join(meeting.failed)}")
        return 2
    return _told(name, files, meeting, only)


def path_of(test: str) -> Path:
    """Return the file of a test that a room names."""
    folder, _, name = test.rpartition("/")
    return TESTS / (folder or "core") / f"test_{name}.py"


def _told(name: str, files: list[Path], meeting: Meeting, only: list[str] | None) -> int:
    for file in files:
        left = [each for each in meeting.survived if each.file == file]
        killed = len(meeting.killed[str(file)])
        if killed + len(left):
            print(f"  {file.relative_to(CORE)}: {killed} of {killed + len(left)} found")
    all_of = len(meeting.mutants)
    found = all_of - len(meeting.survived)
    listed = _listed(name)
    new = [each for each in meeting.survived if each.name not in listed]
    names = {each.name for each in meeting.survived}
    of_files = tuple(f"{file.parent.name}/{file.name} " for file in files) if only else ("",)
    stale = sorted(each for each in listed if each.startswith(of_files) and each not in names)
    print(f"{name}: {found} of {all_of} found, {found / all_of:.1%}; {len(new)} that no reason is given for")
    if found < WANTED * all_of:
        print(f"  fewer than {WANTED:.0%} are found: write tests that fail with those that survived")
    if new:
        print(
            "  No test fails with any of those: write one that does, or, where nothing needs to find it, its name as\n"
            f"  printed, indented by two spaces, below the reason in tests/mutation/survivors/{name}.txt:"
        )
        print(*(f"  {each}" for each in sorted({mutant.name for mutant in new})), sep="\n")
    if stale:
        print(
            f"  Those a test finds by now, or they are no more: take them off tests/mutation/survivors/{name}.txt:"
        )
        print(*(f"  {each}" for each in stale), sep="\n")
    return 0 if found >= WANTED * all_of and not new and not stale else 1


def _listed(room: str) -> set[str]:
    file = SURVIVORS / f"{room}.txt"
    lines = file.read_text(encoding="utf-8").splitlines() if file.exists() else []
    return {line.strip() for line in lines if line.startswith("  ")}


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
