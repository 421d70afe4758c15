"""Gauges that send HID reports of their own, neither a serial port nor a keyboard."""
