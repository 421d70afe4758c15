"""A real spreadsheet program, without a window: it opens a workbook as a person's would, and calculates it."""

from __future__ import annotations

import csv
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

PATIENCE_S = 60.0
"""Bounds a failure; nothing passes or fails by it otherwise."""

_UTF8 = "csv:Text - txt - csv (StarCalc):44,34,76,1"
"""Commas, quotes, UTF-8, from the first row on."""


class Office:
    """LibreOffice Calc with a profile of its own in `folder`, so that none is shared with whoever works here."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        profile = (folder / "profile").as_uri()
        self._words = ["soffice", f"-env:UserInstallation={profile}", "--headless", "--norestore", "--nologo"]

    def saved(self, workbook: Path, kind: str = "xlsx") -> Path:
        """Return what the program makes of `workbook` when it opens it, calculates and saves it as `kind`.

        That is a file's ending, with the program's filter for it behind a colon where it needs one.
        """
        out = self._folder / "saved"
        words = [*self._words, "--convert-to", kind, "--outdir", str(out), str(workbook)]
        done = subprocess.run(words, capture_output=True, text=True, timeout=PATIENCE_S, check=True)
        made = out / f"{workbook.stem}.{kind.partition(':')[0]}"
        assert made.exists(), f"it can't open {workbook}: {done.stdout}{done.stderr}"
        return made

    def rows(self, workbook: Path) -> list[list[str]]:
        """Return the first sheet as the program shows it: every cell's text after calculation, as formatted."""
        with self.saved(workbook, _UTF8).open(newline="", encoding="utf-8") as file:
            return list(csv.reader(file))

    @contextmanager
    def open(self, workbook: Path) -> Iterator[None]:
        """Have the program hold `workbook` open."""
        child = subprocess.Popen(
            [*self._words, str(workbook)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        mark = workbook.with_name(f".~lock.{workbook.name}#")
        try:
            deadline = time.monotonic() + PATIENCE_S
            while not mark.exists():
                assert time.monotonic() < deadline, "it never opened the workbook"
                assert child.poll() is None, "it ended by itself"
                time.sleep(0.05)
            yield
        finally:
            os.killpg(child.pid, signal.SIGKILL)  # itself and what it started, nobody else's
            child.wait()
            while _at_work(child.pid):
                time.sleep(0.01)
            mark.unlink(missing_ok=True)


def _at_work(group: int) -> bool:
    """Tell whether any process of a group still runs, and may have a file open."""
    for each in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            state, _, of = each.read_text().rpartition(")")[2].split()[:3]
            if int(of) == group and state not in "ZX":
                return True
    return False
