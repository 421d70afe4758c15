"""Bluetooth LE: gauges that are heard by radio, many of them over one adapter of the bench PC."""
