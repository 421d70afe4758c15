"""The journal: the append-only record of what happened at the station, on the disk before anyone hears of it."""

from gaugepost.edge.journal.reader import Reader, Wanted
from gaugepost.edge.journal.schema import FILE_NAME, journal_file
from gaugepost.edge.journal.verify import Report, examine
from gaugepost.edge.journal.writer import Journal

__all__ = ["FILE_NAME", "Journal", "Reader", "Report", "Wanted", "examine", "journal_file"]
