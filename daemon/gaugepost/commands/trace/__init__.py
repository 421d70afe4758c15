"""`gaugepost trace`: what depended on a master, gauge, mastering or thermometer, and what it becomes."""

from gaugepost.commands.trace.command import add_arguments as add_arguments, run as run
