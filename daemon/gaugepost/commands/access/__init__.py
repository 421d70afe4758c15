"""`gaugepost access`: tokens for whoever asks the service over the network."""

from gaugepost.commands.access.command import add_arguments as add_arguments, run as run
