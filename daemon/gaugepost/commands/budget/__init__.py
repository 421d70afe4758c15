"""`gaugepost budget`: the uncertainty budget of a characteristic, as a metrologist writes it."""

from gaugepost.commands.budget.command import add_arguments as add_arguments, run as run
