"""What station file and journal know of a measurement's uncertainty, and the budget made of it."""

from gaugepost.core.bench.budgeting.budgets import (
    Unstated as Unstated,
    budget_of as budget_of,
    doubt_of as doubt_of,
    fields_of as fields_of,
    reading_budget as reading_budget,
    step_mm_of as step_mm_of,
)
from gaugepost.core.bench.budgeting.checks import check_budget as check_budget
from gaugepost.core.bench.budgeting.differing import form_budgets as form_budgets, sizes_of as sizes_of
from gaugepost.core.bench.budgeting.document import document as document
from gaugepost.core.bench.budgeting.expected import expected_budget as expected_budget
from gaugepost.core.bench.budgeting.scatter import (
    after_check as after_check,
    after_mastering as after_mastering,
    repeatability as repeatability,
)
from gaugepost.core.bench.budgeting.several import of_result as of_result, result_budget as result_budget
