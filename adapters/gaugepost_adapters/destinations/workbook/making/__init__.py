"""A first inspection sheet, made from what the station file says: ready to be filled, printed and changed."""

from gaugepost_adapters.destinations.workbook.making.file import make as make
