"""A stranger's destination, installed as a package of its own: it refuses and breaks as files in its folder tell it."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

CODE = """
import json, pathlib
from gaugepost.contract import AdapterSettings, Outcome, Refusal, Unreachable

class Settings(AdapterSettings):
    folder: str

class Picky:
    Settings = Settings

    def __init__(self, settings, station):
        self.folder = pathlib.Path(settings.folder)

    def told(self, name):
        file = self.folder / name
        return file.read_text().split() if file.exists() else []

    async def open(self):
        pass

    async def deliver(self, batch, key):
        if (self.folder / "away").exists():
            raise Unreachable("it is away", hint="call it back")
        pieces = {record["id"]: record.get("piece") for record in batch}
        breaks, refuses = self.told("breaks"), self.told("refuses")
        if any(piece in breaks for piece in pieces.values()):
            raise ValueError("what piece is this?")
        refused = [name for name, piece in pieces.items() if piece in refuses]
        with (self.folder / "taken").open("a") as file:
            for name, piece in pieces.items():
                if name not in refused:
                    print(json.dumps([key, name, piece]), file=file)
        return Outcome(batch[-1]["sequence"], [Refusal(name, "no such piece\\x1b[2J") for name in refused])

    async def close(self):
        pass
"""


@dataclass
class PickySide:
    """The far side, seen from outside. `env` lets a daemon find the plug-in."""

    folder: Path

    def __post_init__(self) -> None:
        info = self.folder / "picky-1.0.dist-info"
        info.mkdir(parents=True)
        self.module.write_text(CODE, encoding="utf-8")
        (info / "METADATA").write_text("Metadata-Version: 2.1\nName: picky\nVersion: 1.0\n", encoding="utf-8")
        entry = "[gaugepost.destinations]\npicky = picky_module:Picky\n"
        (info / "entry_points.txt").write_text(entry, encoding="utf-8")

    @property
    def module(self) -> Path:
        """The plug-in's code."""
        return self.folder / "picky_module.py"

    @property
    def env(self) -> dict[str, str]:
        """What a process must have in its environment to find the plug-in."""
        paths = [str(self.folder), *filter(None, [os.environ.get("PYTHONPATH")])]
        return {"PYTHONPATH": os.pathsep.join(paths), "PYTHONDONTWRITEBYTECODE": "1"}

    @property
    def table(self) -> str:
        """The station file's table for it, named charts."""
        return f'[destinations.charts]\nkind = "picky"\nkinds = ["reading"]\nfolder = "{self.folder}"\n'

    def tell(self, what: str, *pieces: str) -> None:
        """Have it refuse or break over these pieces, or be away."""
        (self.folder / what).write_text(" ".join(pieces), encoding="utf-8")

    def forget(self, what: str) -> None:
        """Have it no longer do so."""
        (self.folder / what).unlink()

    def taken(self) -> list[Any]:
        """What it took, in order: key, id, piece."""
        file = self.folder / "taken"
        return [json.loads(line) for line in file.read_text().splitlines()] if file.exists() else []

    def pieces(self) -> list[str]:
        """The pieces that it took, in order."""
        return [piece for _, _, piece in self.taken()]
