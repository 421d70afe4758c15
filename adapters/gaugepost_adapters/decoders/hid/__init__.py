"""Values of HID reports by what they mean, as the gauge's own report descriptor says."""
