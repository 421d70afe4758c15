"""What people and programs at the bench see over HTTP: commands in, records and health out."""
