"""`gaugepost key`: the key pair that signs a station's checkpoints."""

from gaugepost.commands.key.command import add_arguments as add_arguments, run as run
