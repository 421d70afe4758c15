"""What a person who measures is shown: what is next, what came of the last piece and of the lot, ready to be read.

Numbers come as text, rounded once, by the same rules as in the terminal: whoever shows them calculates with none.
"""
