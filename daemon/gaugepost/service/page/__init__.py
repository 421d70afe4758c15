"""The bench page: our own static files, served by the service itself. What they show comes from below /v1."""
