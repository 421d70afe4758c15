"""The normal distribution and Student's t: all that coverage factors and conformance probabilities are made of."""

from gaugepost.core.distributions.normal import (
    normal_cdf as normal_cdf,
    normal_density as normal_density,
    normal_quantile as normal_quantile,
)
from gaugepost.core.distributions.student import (
    student_cdf as student_cdf,
    student_density as student_density,
    student_quantile as student_quantile,
)
