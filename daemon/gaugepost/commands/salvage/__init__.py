"""`gaugepost salvage`: of a damaged journal, what is whole goes into a new one."""

from gaugepost.commands.salvage.command import add_arguments as add_arguments, run as run
