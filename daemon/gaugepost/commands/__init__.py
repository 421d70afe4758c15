"""Commands that answer from their arguments alone: no station file, no journal, no daemon."""
