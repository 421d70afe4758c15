"""The functional core: pure, standard library only, no clock, log, I/O or random."""
