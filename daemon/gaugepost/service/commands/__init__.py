"""What people command, however it reaches the service: what each takes, what it does, and its answer."""
