"""`gaugepost capture`: what a gauge sends goes into a file, to be replayed or handed on."""

from gaugepost.commands.capture.command import add_arguments as add_arguments, run as run
