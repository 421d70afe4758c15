"""An invented shop to look at: simulated instruments on pseudo-terminals, the real daemon, and a story."""
