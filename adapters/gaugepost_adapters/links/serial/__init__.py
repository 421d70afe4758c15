"""Serial ports: at the bench PC, behind a USB adapter, or at a device server on the network."""
