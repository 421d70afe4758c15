"""The journal: the append-only record of what happened at the station, on the disk before anyone hears of it."""

from gaugepost.edge.journal.archive import Archive, is_archive
from gaugepost.edge.journal.copies.backup import backup, restore
from gaugepost.edge.journal.copies.remains import Owner
from gaugepost.edge.journal.copies.salvage import Salvaged, salvage
from gaugepost.edge.journal.reader import Reader, Wanted
from gaugepost.edge.journal.schema import FILE_NAME, journal_file
from gaugepost.edge.journal.verify import Report, examine
from gaugepost.edge.journal.writer import Journal

__all__ = [
    "FILE_NAME",
    "Archive",
    "Journal",
    "Owner",
    "Reader",
    "Report",
    "Salvaged",
    "Wanted",
    "backup",
    "examine",
    "is_archive",
    "journal_file",
    "restore",
    "salvage",
]
