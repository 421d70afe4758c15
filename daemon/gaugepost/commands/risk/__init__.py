"""`gaugepost risk`: how often a decision rule goes wrong on the pieces that a process makes."""

from gaugepost.commands.risk.command import add_arguments as add_arguments, run as run
