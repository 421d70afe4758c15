"""Whether a mastering can be trusted: soaked, repeatable, near the last one, and on the master that was named."""

from gaugepost.core.bench.trust.drifting import (
    history as history,
    moved_k as moved_k,
    settles_in_ms as settles_in_ms,
    still_drifting as still_drifting,
)
from gaugepost.core.bench.trust.trend import trends as trends
from gaugepost.core.bench.trust.whole import (
    Trust as Trust,
    aimed_mm as aimed_mm,
    better_master as better_master,
    trust as trust,
)
