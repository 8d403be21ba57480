"""How far apart the sessions of a course will be, before any of them has happened."""

from dataclasses import dataclass

from courses.healing.facts import Facts
from courses.healing.policy import Policy
from courses.healing.registry import REGISTRY
from courses.healing.window import DEFAULT_POLICY, compute_window
from courses.science.basis import Basis

SLOWEST = ("healing.blister-with-erosion", "healing.hyperpigmentation", "healing.slow-healing")


@dataclass(frozen=True, slots=True)
class Spacing:
    """Days from one session to the next.

    `earliest_days` by the rules that hold whatever happens, `advised_days` as advised,
    `longest_days` when the skin reacts in a way that asks for the longest wait.
    """

    earliest_days: int
    advised_days: int
    longest_days: int
    basis: tuple[Basis, ...]


def spacing_of(facts: Facts, policy: Policy = DEFAULT_POLICY) -> Spacing:
    """The spacing that the rules give for a person, a site, an area and a number of passes.

    What was seen on the skin, and what bars treatment for good, is left aside. Raises
    InvalidInput.
    """
    plain = Facts(
        treated_on=facts.treated_on,
        today=facts.treated_on,
        passes=facts.passes,
        skin_type=facts.skin_type,
        site=facts.site,
        area_cm2=facts.area_cm2,
        smoker=facts.smoker,
    )
    window = compute_window(plain, policy)
    if window.earliest_on is None or window.advised_on is None:
        raise ValueError("nothing holds a window on which nothing was seen")
    earliest = (window.earliest_on - facts.treated_on).days
    advised = (window.advised_on - facts.treated_on).days
    slowest = [REGISTRY[rule_id].parameters_in(policy).whole("days") for rule_id in SLOWEST]
    return Spacing(
        earliest_days=earliest,
        advised_days=advised,
        longest_days=max(advised, *slowest),
        basis=window.basis,
    )
