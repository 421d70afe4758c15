"""What people command, however it reaches the service: what each command takes, what it does, and its answer."""
