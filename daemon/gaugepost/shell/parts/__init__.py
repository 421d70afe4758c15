"""What of a station comes and goes while it runs: its links, its destinations and its set-up."""
