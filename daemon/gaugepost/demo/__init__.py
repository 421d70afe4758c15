"""An invented shop to look at: simulated instruments on real pseudo-terminals, the real daemon, and a story to watch."""
