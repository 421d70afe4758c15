"""Proposes usages of reports: each value that the device's own descriptor tells of is one reading to be tried."""

from __future__ import annotations

from typing import Any

from gaugepost.contract.teaching import Draft, Drafts, Evidence
from gaugepost_adapters.decoders.hid.descriptor import Descriptor, DescriptorBroken

_MOST = 24


def propose(evidence: Evidence) -> Drafts:
    """Return each value of the report descriptor that the link tells."""
    told = evidence.tells.get("descriptor", "")
    try:
        values = Descriptor.parse(bytes.fromhex(told)).values() if told else []
    except (DescriptorBroken, ValueError):
        values = []
    units = {sample.typed.unit for sample in evidence.samples} - {None}
    drafts = []
    for one in values[:_MOST]:
        settings: dict[str, Any] = {
            "descriptor": told,
            "usage": f"{one.usage >> 16:04x}:{one.usage & 0xFFFF:04x}",
        }
        settings |= {"report": one.report} if one.report else {}
        settings |= {"unit": str(next(iter(units)))} if one.unit == 0 and len(units) == 1 else {}
        drafts.append(Draft(settings))
    return Drafts(tuple(drafts), max(1, len(values)))
