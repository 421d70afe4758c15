"""What models can't see: whether the keys of a table, and tables among each other, can be meant together."""
