"""All checks in the order in which a person would ask them."""

from courses.selectors.precheck.context import Context
from courses.selectors.precheck.eyewear import eyewear_findings
from courses.selectors.precheck.findings import Report
from courses.selectors.precheck.passes import pass_findings
from courses.selectors.precheck.precautions import precaution_findings
from courses.selectors.precheck.standing import (
    course_findings,
    operator_findings,
    place_findings,
    window_findings,
)
from courses.selectors.precheck.start_up import start_up_check_findings


def report_of(context: Context) -> Report:
    """What all checks find about a session."""
    return Report(
        findings=(
            *course_findings(context),
            *window_findings(context),
            *precaution_findings(context),
            *place_findings(context),
            *start_up_check_findings(context),
            *operator_findings(context),
            *eyewear_findings(context),
            *pass_findings(context),
        )
    )
