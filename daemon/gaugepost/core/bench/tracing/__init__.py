"""What results rest on, and what they become where something that they rest on was not as the station file said."""
