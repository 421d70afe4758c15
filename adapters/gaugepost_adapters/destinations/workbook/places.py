"""Which files a workbook's destination works on."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

from gaugepost.contract import Publication
from gaugepost_adapters.destinations.csv_rows import file_name
from gaugepost_adapters.destinations.workbook.settings import WorkbookSettings

ONLY = "sheet"
"""Name in the memory of a destination's only workbook."""


@dataclass(frozen=True, slots=True)
class Places:
    """Which files a destination works on."""

    settings: WorkbookSettings
    data: Path

    def path(self, name: str) -> Path:
        """Return the workbook that is called `name` in the memory, links followed."""
        file = self.settings.file.replace("{lot}", name) if self.settings.by_lot else self.settings.file
        return Path(os.path.realpath(self.data / file))

    @property
    def template(self) -> Path | None:
        """What a lot's workbook is made from."""
        return self.data / self.settings.template if self.settings.template else None

    @property
    def memory(self) -> Path:
        """The memory, named for the file that is filled."""
        digest = hashlib.sha256(str(self.data / self.settings.file).encode()).hexdigest()[:12]
        return self.data / "workbooks" / f"{digest}.db"

    def name(self, record: Publication) -> str:
        """Return what the workbook of a record is called."""
        return file_name(str(record.get("lot") or ""), "no-lot") if self.settings.by_lot else ONLY
