"""What the house looks like, held by tests rather than by good will."""
