"""What the page that sets a station up asks: the file as tables, its schema, limits as they are typed."""
