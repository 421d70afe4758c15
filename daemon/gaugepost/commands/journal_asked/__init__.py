"""Which journal a command reads, and over which period."""

from gaugepost.commands.journal_asked.period import (
    add_period as add_period,
    parse_bound as parse_bound,
    period_of as period_of,
    set_up_of as set_up_of,
    zone_of as zone_of,
)
from gaugepost.commands.journal_asked.where import add_journal as add_journal, journal_of as journal_of
