"""What makes a running station's records hold against outsiders."""
