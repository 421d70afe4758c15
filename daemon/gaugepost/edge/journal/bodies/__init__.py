"""Bodies of records, read without all that CBOR can say: most of the time that reading a journal takes is this."""

from gaugepost.edge.journal.bodies.plain import Plain as Plain
