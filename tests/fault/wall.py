"""Python's side of wall.c: a process whose wall clock and boot the test moves, while real time goes on."""

from __future__ import annotations

from pathlib import Path

from tests.fault.shim import built

_SOURCE = Path(__file__).with_name("wall.c")


class Wall:
    """The wall clock and the boot of processes that run under `env`."""

    def __init__(self, folder: Path) -> None:
        self._offset, self._boot = folder / "wall.offset", folder / "wall.boot"
        self.move(0)
        self.boot("6f1f7d6e-7a0c-4b51-9a55-6b6f2f0e8d11")

    def env(self) -> dict[str, str]:
        """What to add to the environment of a process that is to see this wall."""
        files = {"GAUGEPOST_WALL": str(self._offset), "GAUGEPOST_BOOT": str(self._boot)}
        return {"LD_PRELOAD": str(built(_SOURCE)), **files}

    def move(self, ms: int) -> None:
        """Have the wall clock be `ms` ahead of the true time."""
        self._put(self._offset, str(ms))

    def boot(self, name: str) -> None:
        """Have the computer started anew, as far as processes started from now on can tell."""
        self._put(self._boot, name)

    def _put(self, path: Path, text: str) -> None:
        new = path.with_suffix(".new")
        new.write_text(f"{text}\n", encoding="ascii")
        new.replace(path)
