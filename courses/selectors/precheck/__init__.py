"""What must hold before a session, checked over what is in the records; the service never decides.

Every check has an id, a version, a source and a sentence; failed ones carry their numbers.
"""

from courses.selectors.precheck.draft import PassDraft, SessionDraft
from courses.selectors.precheck.findings import Finding, Report, Result, finding_json
from courses.selectors.precheck.registry import CHECKS, CheckRule
from courses.selectors.precheck.run import report_of

__all__ = [
    "CHECKS",
    "CheckRule",
    "Finding",
    "PassDraft",
    "Report",
    "Result",
    "SessionDraft",
    "finding_json",
    "report_of",
]
