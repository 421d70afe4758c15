"""`gaugepost prepare`: the journal is gone through ahead of an update, so that the start after it is short."""

from gaugepost.commands.prepare.command import add_arguments as add_arguments, run as run
