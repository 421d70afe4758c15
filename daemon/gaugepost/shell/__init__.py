"""Moves data and time and decides nothing: intake, delivery, supervision, health."""
