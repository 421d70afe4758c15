"""JSON batches over HTTP: records by POST or PUT, in order, each request under a key that a repeat carries again."""
