"""What the command line can be asked beside running the service; each command is imported only when it is asked for."""
