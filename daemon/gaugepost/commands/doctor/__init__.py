"""`gaugepost doctor`: what keeps a station from its work, and what to do about each."""

from gaugepost.commands.doctor.command import add_arguments as add_arguments, run as run
