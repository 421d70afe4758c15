"""How fast it is, against something plain that does the same: ratios to look at, never a test that fails by a clock."""
