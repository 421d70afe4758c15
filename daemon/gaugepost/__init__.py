"""gaugepost: from the squeeze of a gauge's trigger to a durable, corrected, judged reading."""

__version__ = "0.1.0"
