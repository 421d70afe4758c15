"""`gaugepost drift`: how gauges' offsets and their deviations at checks went over time."""

from gaugepost.commands.drift.command import add_arguments as add_arguments, run as run
