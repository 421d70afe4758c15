"""Gauges that are keyboards: they type what they show, and nobody but the station gets to see it."""
