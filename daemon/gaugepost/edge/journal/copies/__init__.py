"""Journals made of others: backups and what is restored of them, and what is salvaged of a damaged one."""
