"""Faults on purpose: a disk that fails, fills or stalls, and a record of what reached it before what was sent."""
