"""Bodies between good and made up: what is taken as it is, with some of what was drawn in it."""

import random
from copy import deepcopy
from typing import Any, Final

from tests.support.access_world import World
from tests.support.asking import body_of
from tests.support.operations import Operation, operations

MIXED: Final = 0.6
"""Share of well-formed bodies that are mixed; the others are as they were drawn."""
CHANGED: Final = (0, 1, 1, 2, 3)
"""How many members of a good body are replaced, each as likely."""


class Bodies:
    """For each operation the body with which it does what it is for."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.operations: dict[str, Operation] = {one.name: one for one in operations()}
        self._good: dict[str, Any] = {}

    def mixed(self, label: str, drawn: Any, chance: random.Random) -> Any:
        """The drawn body, or the good one with a few members of the drawn one."""
        if chance.random() > MIXED:
            return drawn
        return _mix(self._good_for(label), drawn, chance)

    def _good_for(self, label: str) -> Any:
        if label not in self._good:
            self._good[label] = body_of(self.world, self.operations[label])
        return deepcopy(self._good[label])


def _mix(good: Any, drawn: Any, chance: random.Random) -> Any:
    if isinstance(good, list) and isinstance(drawn, list) and good and drawn:
        return [_mix(one, other, chance) for one, other in zip(good, drawn, strict=False)]
    if not isinstance(good, dict) or not isinstance(drawn, dict) or not good:
        return drawn
    names = chance.sample(sorted(drawn), k=min(len(drawn), chance.choice(CHANGED)))
    return good | {name: _mix(good.get(name), drawn[name], chance) for name in names}
