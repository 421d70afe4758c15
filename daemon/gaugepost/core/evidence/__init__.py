"""What is signed, to the byte: a head of the chain by a station's key, records by a person."""
