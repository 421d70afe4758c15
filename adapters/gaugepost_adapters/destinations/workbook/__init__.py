"""Inspection sheets: an .xlsx file that somebody already has, whose cells show what the records say.

Only the cells' own markup is edited; every other part of the file, and every other byte of the sheet, stays as it was:
charts, images, conditional formats, pivot tables and what no library knows of. See `ooxml`.
"""
