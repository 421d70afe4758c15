"""Contact sets: which one is on a gauge. Each has its own offset: a mastering with one says nothing of another."""

from __future__ import annotations

from gaugepost.core.errors import CommandRefused
from gaugepost.core.setup import GaugeEntry


def on_gauge(entry: GaugeEntry, said: str | None) -> str | None:
    """Return the contact set that is on the gauge after somebody `said` so; None where its sets have no names.

    Raises:
        CommandRefused: it is none of the gauge's, or there are several and nobody said which.
    """
    known = entry.contact_sets or ()
    if said is None:
        if len(known) > 1:
            raise CommandRefused(
                f"{entry.name} has the contact sets {', '.join(known)}", hint="say which of them is on it now"
            )
        return sole(entry)
    if said not in known:
        hint = (
            f"its contact sets: {', '.join(known)}" if known else f"name it in contact_sets of {entry.name}"
        )
        raise CommandRefused(f"{entry.name} has no contact set {said!r}", hint=hint)
    return said


def sole(entry: GaugeEntry) -> str | None:
    """Return the gauge's only contact set; None where it has several, or none with a name."""
    known = entry.contact_sets or ()
    return known[0] if len(known) == 1 else None


def kept(entry: GaugeEntry, before: str | None) -> str | None:
    """Return what is on the gauge under this entry, where `before` was."""
    return before if before in (entry.contact_sets or ()) else sole(entry)


def known_to_be_on(entry: GaugeEntry, contact_set: str | None) -> None:
    """Raise `CommandRefused` where a gauge with several contact sets is to be mastered and nobody said which is on."""
    if contact_set is None and entry.contact_sets:
        raise CommandRefused(
            f"nobody said which contact set is on {entry.name}",
            hint=f"report its contacts with one of {', '.join(entry.contact_sets)}",
        )
