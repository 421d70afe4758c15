"""Backups that the running service makes by itself, at their time."""
