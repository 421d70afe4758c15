"""What is asked by the clock or because somebody wanted it: gauges for their value, the bench what is due."""
