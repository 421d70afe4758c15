"""What can happen at a station: frames, links coming and going, and what people command."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import tzinfo
from decimal import Decimal

from gaugepost.core.evidence.checkpoint import Signed as SignedHead
from gaugepost.core.evidence.signature import Signed
from gaugepost.core.indication import Decoded, Indication
from gaugepost.core.record import Kind, Record


@dataclass(frozen=True, slots=True)
class Started:
    """The service starts to listen."""

    program: str


@dataclass(frozen=True, slots=True)
class Stopped:
    """The service ends in good order."""


@dataclass(frozen=True, slots=True)
class SetUpLoaded:
    """The station file was read and resolved to `document`."""

    document: str


@dataclass(frozen=True, slots=True)
class Reload:
    """The station file was read again while the bench is at work; `changes` says in words what is otherwise in it."""

    document: str
    changes: tuple[str, ...] = ()
    operator: str | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class LinkUp:
    """A link was connected."""

    link: str
    description: str


@dataclass(frozen=True, slots=True)
class LinkDown:
    """A link that was connected is lost."""

    link: str
    reason: str


@dataclass(frozen=True, slots=True)
class Arrived:
    """A decoder's answer came over a link."""

    link: str
    decoded: Decoded


@dataclass(frozen=True, slots=True)
class Evidence:
    """What streamed by in a window: how many indications, their bytes, how far they spread, and what was taken."""

    code: str
    text: str
    count: int
    spread_mm: Decimal | None
    raw: bytes


@dataclass(frozen=True, slots=True)
class Streamed:
    """A streaming gauge's window ended, with the indication that counts, or None where there is none."""

    link: str
    channel: str
    indication: Indication | None
    evidence: Evidence


@dataclass(frozen=True, slots=True)
class MoreBadFrames:
    """Bad frames beyond those that were kept one by one."""

    link: str
    channel: str
    count: int


@dataclass(frozen=True, slots=True)
class SetTags:
    """A person says what is in hand. Keys: operator, lot, piece, position, characteristic; None clears."""

    changes: Mapping[str, str | None]


@dataclass(frozen=True, slots=True)
class BeginMastering:
    """A person is about to read one master or two with a gauge.

    `serials` are the serial numbers read off the masters, in the same order. `movement` is "larger" or "smaller" where
    one more reading with a known movement proves the sense.
    """

    gauge: str
    masters: tuple[str, ...]
    serials: tuple[str, ...] = ()
    readings: int | None = None
    movement: str | None = None
    operator: str | None = None


@dataclass(frozen=True, slots=True)
class BeginCheck:
    """A person is about to measure a master as if it were a part."""

    gauge: str
    master: str
    serial: str | None = None
    readings: int | None = None
    operator: str | None = None


@dataclass(frozen=True, slots=True)
class Abandon:
    """A person gives up the mastering or check that is going on."""

    gauge: str
    reason: str = ""
    operator: str | None = None


@dataclass(frozen=True, slots=True)
class Finish:
    """A person ends the mastering or check that is going on with the readings taken so far."""

    gauge: str
    operator: str | None = None


@dataclass(frozen=True, slots=True)
class Void:
    """A person says that record `sequence`, which is `target`, does not count, and why.

    `results` are the results and forms that name it as a member: whoever asks looks them up.
    """

    sequence: int
    target: Record
    reason: str
    results: tuple[int, ...] = ()
    operator: str | None = None


@dataclass(frozen=True, slots=True)
class Amend:
    """A person puts right what record `sequence`, which is `target`, was tied to. Keys: lot, piece, position.

    `results` and `forms` are those that name it as a member.
    """

    sequence: int
    target: Record
    changes: Mapping[str, str | None]
    reason: str
    results: tuple[int, ...] = ()
    forms: tuple[int, ...] = ()
    operator: str | None = None


@dataclass(frozen=True, slots=True)
class Another:
    """A person is about to measure the piece in hand again with a gauge; `why` is one of `ATTEMPTS`."""

    gauge: str
    why: str
    note: str = ""
    operator: str | None = None


ATTEMPTS: dict[str, str] = {
    "bad-seating": "the gauge was not seated well",
    "rework": "the piece was reworked",
    "recheck": "the measurement is to be confirmed",
}


@dataclass(frozen=True, slots=True)
class Again:
    """Record `sequence` comes to `made` once something is corrected; it began as a `kind`."""

    sequence: int
    kind: Kind
    made: Record
    corrected: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Rejudge:
    """A person has measurements judged again, members before what was made of them: whoever asks makes them."""

    again: tuple[Again, ...]
    reason: str
    operator: str | None = None


@dataclass(frozen=True, slots=True)
class Doubtful:
    """What a gauge measured from `first` to `last`, `count` readings; the master it rests on, where that is why."""

    gauge: str
    first: int
    last: int
    count: int
    master: str | None = None


@dataclass(frozen=True, slots=True)
class Suspect:
    """A person doubts what a gauge measured since its last good check; or, where they are named, what is `doubtful`."""

    reason: str
    gauge: str | None = None
    doubtful: tuple[Doubtful, ...] = ()
    operator: str | None = None


@dataclass(frozen=True, slots=True)
class Lift:
    """A person says that what record `sequence`, which is `target`, marked as suspect counts after all, and why.

    `check` is the good check that shows it, None where there is none; whoever asks looks it up. `wanted` says which
    check it takes; empty where a person's word is enough.
    """

    sequence: int
    target: Record
    reason: str
    check: int | None = None
    wanted: str = ""
    operator: str | None = None


@dataclass(frozen=True, slots=True)
class Sign:
    """A person who proved who they are signs records; whoever asks looks them up."""

    records: Signed
    meaning: str
    printed_name: str
    operator: str
    reason: str = ""
    target: Record | None = None
    """The record that is signed, where it is one."""


@dataclass(frozen=True, slots=True)
class Report:
    """A person says that something was done to a gauge: see `REPORTS`."""

    gauge: str
    what: str
    note: str = ""
    operator: str | None = None
    contact_set: str | None = None
    """Which set is on it now, for contacts."""


REPORTS: dict[str, str] = {
    "knock": "the gauge was knocked or dropped",
    "contacts": "the contacts were changed",
    "extension": "an extension was fitted or taken off",
    "preset": "the gauge's preset was changed",
    "battery": "the battery was changed",
    "repair": "the gauge was repaired or adjusted",
}


@dataclass(frozen=True, slots=True)
class RecordingResumed:
    """The journal takes records again after it did not: `dropped` events could not be held meanwhile."""

    since_utc_ms: int
    reason: str
    held: int
    dropped: int


@dataclass(frozen=True, slots=True)
class LookAhead:
    """Time passed: checks may have become due. `zone` says what a time of day is at the station."""

    zone: tzinfo


@dataclass(frozen=True, slots=True)
class HeadSigned:
    """The station's key signed the chain up to a record."""

    signed: SignedHead


@dataclass(frozen=True, slots=True)
class AccessChanged:
    """Who may come in changed: whose entry, what of it, who changed it, and how it stands now."""

    name: str
    what: str
    by: str
    entry: str


@dataclass(frozen=True, slots=True)
class NotAsked:
    """A gauge that a trigger wanted asked could not be."""

    gauge: str
    reason: str


Command = (
    SetTags
    | BeginMastering
    | BeginCheck
    | Finish
    | Abandon
    | Report
    | Void
    | Amend
    | Another
    | Rejudge
    | Suspect
    | Lift
    | Sign
    | Reload
)
Event = (
    Started
    | Stopped
    | SetUpLoaded
    | LinkUp
    | LinkDown
    | Arrived
    | Streamed
    | MoreBadFrames
    | RecordingResumed
    | LookAhead
    | NotAsked
    | HeadSigned
    | AccessChanged
    | Command
)


@dataclass(frozen=True, slots=True)
class Reply:
    """What whoever caused the event is told, once its records are on disk."""

    accepted: bool
    text: str
    hint: str = ""


@dataclass(frozen=True, slots=True)
class Decision:
    """What an event leads to: records in the order they happen, a reply, and gauges to be asked for their value."""

    records: tuple[Record, ...] = ()
    reply: Reply = Reply(accepted=True, text="")
    requests: tuple[str, ...] = ()
