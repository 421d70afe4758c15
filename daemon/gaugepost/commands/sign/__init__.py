"""`gaugepost sign`: a person signs records at a running station, and what was signed is shown."""

from gaugepost.commands.sign.command import add_arguments as add_arguments, run as run
