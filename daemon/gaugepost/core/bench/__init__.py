"""The bench: a state machine without I/O that turns what happens at a station into records.

`decide` answers an event with records and a reply; `apply` gives the state that a record leads to. Start-up applies the
journal, it never decides again.
"""

from gaugepost.core.bench.apply import apply as apply, follow as follow
from gaugepost.core.bench.decide import decide as decide
from gaugepost.core.bench.events import Decision as Decision, Event as Event, Reply as Reply
from gaugepost.core.bench.state import State as State
