"""Destinations: where journalled records are delivered, in order and under their one lasting id."""
