"""What is plugged in at this computer, for whoever adds a gauge to the station."""
