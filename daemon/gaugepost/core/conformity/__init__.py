"""What a value is worth against the drawing: verdict, conformity with its probability, decision by a named rule.

Three things that are kept apart: where the value lies, what has been proved, and what is done with the piece.
"""

from gaugepost.core.conformity.deciding import (
    Judgement as Judgement,
    cautions as cautions,
    decide as decide,
)
from gaugepost.core.conformity.doubt import Doubt as Doubt
from gaugepost.core.conformity.probability import conformance_probability as conformance_probability
from gaugepost.core.conformity.rules import (
    SIMPLE as SIMPLE,
    Rule as Rule,
    RuleName as RuleName,
    parse_rule as parse_rule,
    rule as rule,
)
from gaugepost.core.conformity.verdict import (
    Conformity as Conformity,
    Decision as Decision,
    Verdict as Verdict,
    decide_simple as decide_simple,
    deviation as deviation,
    judge as judge,
)
from gaugepost.core.conformity.zones import (
    Zones as Zones,
    acceptance_limits as acceptance_limits,
    tolerance_in_u as tolerance_in_u,
    zones as zones,
)
