"""What a state hangs on is found in the sources, and is all that was at work when journals were applied."""

from __future__ import annotations

import ast
import shutil
import sys
from pathlib import Path
from typing import Any

from gaugepost.core.bench import State, apply
from gaugepost.edge.journal import Reader
from gaugepost.edge.kept.rules import _imports, fingerprint, sources
from gaugepost.edge.kept.snapshot import Snapshot
from gaugepost.edge.kept.state import lines_of, packed, unpacked
from tests.edge.test_snapshot import data as data
from tests.journals.test_golden_derivations import _golden
from tests.shape.tree import DAEMON


def _at_work(folder: Path) -> set[Path]:
    """Apply journals, keep a state and take it up again; return the files of the core that did anything in it."""
    seen: set[str] = set()

    def called(frame: Any, event: str, arg: object) -> None:
        if event == "call":
            seen.add(frame.f_code.co_filename)

    reader = Reader(folder)
    try:
        sys.setprofile(called)
        state = Snapshot(folder, reader).restore()
        for derivation in (1, 2, 3):
            bench = State()
            for record in _golden(derivation):
                bench = apply(bench, record)
        assert unpacked(packed(state)) == state
        assert list(lines_of(state))
    finally:
        sys.setprofile(None)
        reader.close()
    return {Path(each) for each in seen if Path(each).is_relative_to(DAEMON / "core")}


def test_whatever_is_at_work_while_a_journal_is_applied_is_among_them(data: Path) -> None:
    """The profiler knows nothing of imports: it saw each function that was called."""
    (data / "bench.snapshot").unlink()
    at_work = _at_work(data)
    assert DAEMON / "core" / "bench" / "apply.py" in at_work
    assert at_work <= set(sources(DAEMON))


def test_imports_are_read_as_python_reads_them() -> None:
    """Held against the parser's own reading, for every file of the core and each name."""
    for path in [*sources(DAEMON), *(DAEMON / "core").rglob("*.py")]:
        wanted = [
            (node.module.removeprefix("gaugepost.").replace(".", "/"), each.name, each.asname or each.name)
            for node in ast.walk(ast.parse(path.read_text()))
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("gaugepost.core")
            for each in node.names
        ]
        assert sorted(_imports(path)) == sorted(wanted), path


def test_a_rule_counts_and_what_is_decided_does_not(tmp_path: Path) -> None:
    """What was decided stands in the journal: how, is no matter for the state that it led to."""
    copies = iter(range(9))

    def changed(*parts: str) -> str:
        copy = tmp_path / str(next(copies))
        shutil.copytree(DAEMON, copy, ignore=shutil.ignore_patterns("__pycache__", "static"))
        if parts:
            path = copy.joinpath(*parts)
            path.write_text(path.read_text() + "\n# a word more\n")
        return fingerprint(copy)

    same = changed()
    assert same == fingerprint(DAEMON)
    assert changed("core", "bench", "decide.py") == same
    assert changed("service", "api.py") == same
    others = [
        changed("core", "bench", "apply.py"),
        changed("core", "bench", "state.py"),
        changed("edge", "kept", "state.py"),
    ]
    assert len({same, *others}) == 4
