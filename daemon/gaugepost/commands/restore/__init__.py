"""`gaugepost restore`: a journal out of a backup, in an epoch of its own."""

from gaugepost.commands.restore.command import add_arguments as add_arguments, run as run
