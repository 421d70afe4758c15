"""Gauges that send their numbers in binary: settings, checks, numbers, and the decoder made of them."""
