"""`gaugepost archive`: records of years ago go into a compressed file that is as provable as the journal."""

from gaugepost.commands.archive.command import add_arguments as add_arguments, run as run
