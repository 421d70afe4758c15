"""What a person who masters or checks a gauge is shown: which rings, soak, what was read, what came of it."""
