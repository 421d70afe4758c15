"""Keys that sign a journal's head, and what a journal or an archive comes to when it is held against them."""
