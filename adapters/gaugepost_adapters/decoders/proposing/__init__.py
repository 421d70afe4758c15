"""What each decoder proposes for a gauge nobody has described: apart, since the running daemon needs none of it."""
