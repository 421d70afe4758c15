"""`gaugepost workbook`: a first inspection sheet, and a look at the one that is to be filled."""

from gaugepost.commands.workbook.command import add_arguments as add_arguments, run as run
