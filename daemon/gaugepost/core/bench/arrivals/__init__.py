"""What comes over links, by whom it comes from: gauges, thermometers, scanners, triggers, or nobody who is known."""
