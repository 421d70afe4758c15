"""Teaching: from bytes that came and digits that a person typed, the description of a gauge nobody has described.

Pure: no I/O, no clock. What is unknown stays refused or is asked for; a description that could fit by luck is never
accepted. The decoders propose (`contract/teaching.py`); each draft is held to the real decoder made of it.

    typed = read_typed("12.345 mm")
    evidence = Evidence((Sample(typed, chunks), ...))
    outlook = search(evidence, {"delimited_text": DelimitedText, ...})
    outlook.accepted.description(), outlook.accepted.capture(...)    # or outlook.reason, outlook.next_measurements
"""

from gaugepost.contract.teaching import (
    Ask as Ask,
    Evidence as Evidence,
    Sample as Sample,
    Typed as Typed,
)
from gaugepost.teach.asking import read_request as read_request
from gaugepost.teach.lesson import (
    CAN_NEVER as CAN_NEVER,
    Lesson as Lesson,
)
from gaugepost.teach.outlook import (
    Candidates as Candidates,
    Conflict as Conflict,
    Next as Next,
    Outlook as Outlook,
    Proposal as Proposal,
    Recorded as Recorded,
    Shown as Shown,
)
from gaugepost.teach.search import search as search
from gaugepost.teach.telling import (
    as_document as as_document,
    as_json as as_json,
    as_texts as as_texts,
)
from gaugepost.teach.typed import read_typed as read_typed
