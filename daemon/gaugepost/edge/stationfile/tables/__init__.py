"""Tables of the station file that `model` puts together with the others."""
