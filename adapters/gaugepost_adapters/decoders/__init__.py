"""Decoders: chunks of bytes in, indications and conditions out, without I/O. One wire format a file."""
