"""`gaugepost reload`: the station file read again by the service that runs with it."""

from gaugepost.commands.reload.command import add_arguments as add_arguments, run as run
