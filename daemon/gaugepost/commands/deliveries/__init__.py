"""`gaugepost deliveries`: how far each destination got, and what to do about what it did not take."""

from gaugepost.commands.deliveries.actions import add_arguments as add_arguments, run as run
