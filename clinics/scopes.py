"""What a machine's token may be narrowed to: actions of the policy, alone or by group."""

from collections.abc import Collection
from typing import Final

from clinics.errors import ScopeUnfit
from clinics.policy import INTEGRATOR, POLICY

OF_MACHINES: Final = frozenset(
    action for action, rule in POLICY.items() if INTEGRATOR in rule.roles
)
"""What an integrator may do at all."""

GROUPS: Final[dict[str, frozenset[str]]] = {
    "reading": frozenset(action for action in OF_MACHINES if action.endswith(".read")),
    "booking": frozenset(
        action
        for action in OF_MACHINES
        if action.startswith(("appointment.", "gap.", "slot.", "waiting_list."))
    ),
    "patients": frozenset(
        action
        for action in OF_MACHINES
        if action.startswith(("patient.", "contact_point.", "precaution."))
    ),
    "counters": frozenset(action for action in OF_MACHINES if action.startswith("counter")),
    "calculators": frozenset({"calculator.use"}),
}
"""Names for actions that go together. They are spelt out when a token is made: what a group comes
to mean later does not widen a token that is in somebody's hands."""


def actions_of(scopes: Collection[str]) -> list[str]:
    """The actions that these names stand for. Raises ScopeUnfit, naming what cannot be given."""
    unfit = sorted(name for name in scopes if name not in GROUPS and name not in OF_MACHINES)
    if unfit or not scopes:
        raise ScopeUnfit(unfit=unfit, groups=sorted(GROUPS), actions=sorted(OF_MACHINES))
    return sorted({action for name in scopes for action in GROUPS.get(name, {name})})
