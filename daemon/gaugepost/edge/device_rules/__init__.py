"""What device rules (udev(7)) would do on this computer, found out without rights and without doing it."""

from gaugepost.edge.device_rules.language import Finding as Finding, Rule as Rule, read_rules as read_rules
from gaugepost.edge.device_rules.machine import Device as Device, devices as devices
from gaugepost.edge.device_rules.trying import Outcome as Outcome, tried as tried
from gaugepost.edge.device_rules.writing import line_for as line_for
