"""A gauge's plug with a lasting name, as devices by id have: pulled out and put in again while the daemon runs."""

from __future__ import annotations

from pathlib import Path

from tests.bench_tools.daemon import Port


class Plug(Port):
    """A pseudo-terminal behind a link in the file system that stays when the terminal goes."""

    def __init__(self, link: Path) -> None:
        self._link = link
        self._in = False
        self.put_in()

    def put_in(self) -> None:
        """Have a terminal behind the name, another one than before."""
        super().__init__()
        fresh = self._link.with_suffix(".fresh")
        fresh.symlink_to(self.path)
        fresh.replace(self._link)
        self.path = str(self._link)
        self._in = True

    def pull_out(self) -> None:
        """Take the terminal and its name away."""
        self._link.unlink()
        self._in = False
        super().close()

    def close(self) -> None:
        """Let go of it, plugged in or not."""
        if self._in:
            self.pull_out()
