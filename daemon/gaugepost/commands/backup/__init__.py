"""`gaugepost backup`: a copy of the journal in one file, while the station runs."""

from gaugepost.commands.backup.command import add_arguments as add_arguments, run as run
