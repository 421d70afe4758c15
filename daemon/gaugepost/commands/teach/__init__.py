"""`gaugepost teach`: a gauge that nobody has described is measured with until its description is found."""

from gaugepost.commands.teach.command import add_arguments as add_arguments, run as run
