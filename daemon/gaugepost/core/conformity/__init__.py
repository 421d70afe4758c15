"""What a value is worth against the drawing: verdict, conformity with its probability, decision by a named rule.

Three things that are kept apart: where the value lies, what has been proved, and what is done with the piece.
"""

from gaugepost.core.conformity.doubt import Doubt as Doubt
from gaugepost.core.conformity.verdict import (
    SIMPLE_ACCEPTANCE as SIMPLE_ACCEPTANCE,
    Decision as Decision,
    Verdict as Verdict,
    decide_simple as decide_simple,
    deviation as deviation,
    judge as judge,
)
