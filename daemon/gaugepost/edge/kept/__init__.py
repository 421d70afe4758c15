"""How the bench stands, kept on disk: a snapshot for the next start, and what archives leave behind."""
