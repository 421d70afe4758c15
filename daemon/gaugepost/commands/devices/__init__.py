"""`gaugepost devices`: what is plugged in, how a station file names it, who has it, and what stands in the way."""

from gaugepost.commands.devices.listing import add_arguments as add_arguments, run as run
