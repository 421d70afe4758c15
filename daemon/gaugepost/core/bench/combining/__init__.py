"""Several readings of one characteristic: which belong together, what result they make, what form their places show."""

from gaugepost.core.bench.combining.completing import budget_made as budget_made, completed as completed
from gaugepost.core.bench.combining.groups import (
    attempt_of as attempt_of,
    gathers as gathers,
    joined as joined,
    member_of as member_of,
    missing as missing,
    place_of as place_of,
)
from gaugepost.core.bench.combining.sizes import combined as combined, judged_of as judged_of
