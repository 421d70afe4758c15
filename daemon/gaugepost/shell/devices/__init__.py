"""What is plugged in, and which description reads what it sends: for the terminal and the service alike."""
