"""A new workbook on disk, and the lines of the station file that have it filled."""

from __future__ import annotations

import errno
from collections.abc import Sequence
from pathlib import Path

from gaugepost.contract import SettingsError, StationFacts
from gaugepost.contract.sheets import Wanted
from gaugepost_adapters.destinations.workbook.making.blocks import Block, blocks
from gaugepost_adapters.destinations.workbook.making.names import lines
from gaugepost_adapters.destinations.workbook.settings import SHOWN


def make(path: Path, station: StationFacts, wanted: Wanted) -> list[str]:
    """Make a workbook at `path`; return the destination's table, as the station file has it.

    Raises:
        SettingsError: it can't be made there, or not here; with what to do.
    """
    if path.suffix.lower() != ".xlsx":
        raise SettingsError(f"{path} is no .xlsx file", hint=f"write {path.with_suffix('.xlsx')}")
    if strange := [name for name in wanted.shown if name not in SHOWN]:
        raise SettingsError(f"no cell can show {strange[0]!r}", hint=f"there are: {', '.join(SHOWN)}")
    made = blocks(wanted.characteristics, wanted.shown)
    try:
        data = _data(made, station, wanted)  # made by way of files in the folder for such
        with path.open("xb") as file:
            try:
                file.write(data)
                file.flush()
            except OSError:  # half a workbook would be in the way of the next try
                path.unlink()
                raise
    except FileExistsError as cause:
        raise SettingsError(
            f"there is a file {path} already, and it stays as it is",
            hint="write another name, or move it away",
        ) from cause
    except OSError as cause:
        raise SettingsError(
            f"{path} can't be made: {cause.strerror}",
            hint="free space on that disk"
            if cause.errno in (errno.ENOSPC, errno.EDQUOT)
            else "write a name in a folder that is there, and that you may write to",
        ) from cause
    whole = path.absolute()
    inside = whole.relative_to(station.data) if station.data in whole.parents else whole
    return list(lines(made, wanted.name, str(inside), by_lot=wanted.by_lot))


def _data(made: Sequence[Block], station: StationFacts, wanted: Wanted) -> bytes:
    try:
        from gaugepost_adapters.destinations.workbook.making.book import workbook
    except ModuleNotFoundError as missing:
        raise SettingsError(
            f"making a workbook takes the package {missing.name}, which is not installed",
            hint=f"install it: python -m pip install {missing.name}; filling one that you have does not need it",
        ) from missing
    return workbook(made, station, wanted)
