"""`gaugepost access`: people who sign in, and tokens for programs that ask the service."""

from gaugepost.commands.access.command import add_arguments as add_arguments, run as run
