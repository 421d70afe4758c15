"""A PostgreSQL server as the plant's store: a row a record, in one schema for any number of stations."""
