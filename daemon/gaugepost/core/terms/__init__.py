"""The trade's closed vocabularies, as a station file writes them."""
