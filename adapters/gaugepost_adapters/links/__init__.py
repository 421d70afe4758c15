"""Links: what carries bytes between a gauge and the daemon. The only adapters that touch a device."""
