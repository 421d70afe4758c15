"""The file format (ECMA-376, Office Open XML), as far as filling cells takes: read it, and edit it in place."""
