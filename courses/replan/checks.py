"""Re-plans that cannot be made, refused with the field to mend."""

from collections import Counter
from collections.abc import Iterator

from courses.replan.effort import Effort
from courses.replan.problem import Displaced, ReplanPolicy, ReplanProblem
from courses.science.errors import InvalidInput
from courses.slots.checks import check_search

MAX_DISPLACED = 2000
MAX_POINTS = 1000
Problem = tuple[str, str]


class BadReplan(InvalidInput):
    """A re-plan that cannot be made; `field` names what to mend, `message` says how."""


def check_problem(problem: ReplanProblem) -> None:
    """Raise BadReplan, naming the first field to mend, or BadRequest for a slot request."""
    for field, detail in _problems(problem):
        raise BadReplan(field=field, rule="replan", message=detail)
    clinics = {clinic.id: clinic for clinic in problem.clinics}
    policy = problem.policy.search()
    for displaced in problem.displaced:
        accepted = [clinics[key] for key in displaced.clinic_ids]
        check_search(displaced.request, grid=problem.grid, clinics=accepted, policy=policy)


def check_effort(effort: Effort) -> None:
    """Raise BadReplan, naming the first field to mend."""
    if not 0 < effort.seconds <= 3600:
        raise BadReplan(field="effort.seconds", rule="replan", message="It is 1 s to 1 hour.")
    if not 0 <= effort.seed < 2**31:
        raise BadReplan(field="effort.seed", rule="replan", message="It is 0 to 2147483647.")
    work = (effort.rounds, effort.neighbourhoods, effort.largest_pool)
    limits = (effort.prices_seconds, effort.part_seconds, effort.proof_seconds)
    if not 0 <= effort.enough < 1:
        raise BadReplan(field="effort.enough", rule="replan", message="It is 0 to 1, not 1.")
    if min(work) < 0 or not min(limits) > 0 or effort.size < 1:
        raise BadReplan(field="effort", rule="replan", message="Work is not negative.")


def _problems(problem: ReplanProblem) -> Iterator[Problem]:
    if len(problem.displaced) > MAX_DISPLACED:
        yield "displaced", f"Re-plan at most {MAX_DISPLACED} appointments at once."
    keys = [displaced.key for displaced in problem.displaced]
    if len(set(keys)) < len(keys):
        yield "displaced.key", "Every displaced appointment has a key of its own."
    ids = Counter(clinic.id for clinic in problem.clinics)
    if any(count > 1 for count in ids.values()):
        yield "clinics", "A clinic is named once."
    for displaced in problem.displaced:
        yield from _displaced(displaced, set(keys), set(ids))
    yield from _policy(problem.policy)
    yield from _rings(problem.displaced)


def _displaced(displaced: Displaced, keys: set[int], clinics: set[int]) -> Iterator[Problem]:
    if displaced.old.start.utcoffset() is None:
        yield "displaced.old.start", "An instant needs an offset."
    if not set(displaced.clinic_ids) <= clinics:
        yield "displaced.clinic_ids", "An accepted clinic is among the candidates."
    if len(set(displaced.clinic_ids)) < len(displaced.clinic_ids):
        yield "displaced.clinic_ids", "A clinic is named once."
    for follows in displaced.follows:
        if follows.key not in keys or follows.key == displaced.key:
            yield "displaced.follows", "It names another of the displaced appointments."
        if not 0 <= follows.days <= 400:
            yield "displaced.follows.days", "It is 0 to 400 days."


def _policy(policy: ReplanPolicy) -> Iterator[Problem]:
    names = ("advised_day", "old_day", "old_half_hour", "other_clinic", "new_operator", "ink")
    points = [getattr(policy, name) for name in (*names, "long_wait_day", "worst_delay")]
    if not all(0 <= value <= MAX_POINTS for value in points):
        yield "policy", f"Points are 0 to {MAX_POINTS}."
    if not 0 <= policy.wait_days <= 400:
        yield "policy.wait_days", "It is 0 to 400 days."


def _rings(displaced: tuple[Displaced, ...]) -> Iterator[Problem]:
    """Whoever follows itself, over whatever others."""
    left = {one.key: {follows.key for follows in one.follows} for one in displaced}
    while True:
        free = {key for key, before in left.items() if not before & left.keys()}
        if not free:
            break
        left = {key: before for key, before in left.items() if key not in free}
    if left:
        yield "displaced.follows", "No appointment follows itself."
