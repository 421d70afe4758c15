"""Lessons: a link kept for as long as somebody teaches the gauge at its other end."""
