"""Commands by topic: a connection of their own, over which they come and their answers go."""
