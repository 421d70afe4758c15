"""The promises gaugepost keeps, one test each, and the tools to attack them with."""
