"""The command that is taught a gauge, in a process of its own, and whoever sits at its keyboard."""

from __future__ import annotations

import os
import select
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

PATIENCE_S = 60


class Pupil:
    """`gaugepost teach` with `words`, with somebody at the keyboard."""

    def __init__(self, *words: str, env: Mapping[str, str] | None = None, folder: Path | None = None) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "gaugepost", "teach", *words],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            env={**os.environ, **(env or {})}, cwd=folder,
        )  # fmt: skip
        self.said = b""

    def until(self, text: str) -> str:
        """Read what it says until `text` is among it; return what stood before."""
        assert self.process.stderr is not None
        at = self.process.stderr.fileno()
        while text.encode() not in self.said:
            assert select.select([at], [], [], PATIENCE_S)[0], self.said
            data = os.read(at, 4096)
            assert data, self.said
            self.said += data
        before, _, self.said = self.said.partition(text.encode())
        return before.decode()

    def types(self, line: str) -> None:
        """Type a line."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{line}\n".encode())
        self.process.stdin.flush()

    def end(self) -> tuple[int, str, str]:
        """Wait for its end; return the exit code, what it printed, and the last that it said."""
        out, said = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, out.decode(), (self.said + said).decode()

    def close(self) -> None:
        """End it, if it has not ended."""
        self.process.kill()
        self.process.communicate()
