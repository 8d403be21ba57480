"""A CP-SAT model of things that keep resources busy, each resource one thing at a time."""

from collections.abc import Hashable
from dataclasses import dataclass, field

from ortools.sat.python import cp_model


@dataclass(slots=True, eq=False)
class Diary:
    """Uses of resources that must not overlap; they may touch.

    A use has a fixed start and may or may not happen. Of the uses that cover a mark at which one
    begins, at most one happens. That says the same as optional intervals and no-overlap, but gives
    the solver a much stronger linear relaxation.
    """

    model: cp_model.CpModel = field(default_factory=cp_model.CpModel)
    _covers: dict[Hashable, dict[int, list[cp_model.IntVar]]] = field(default_factory=dict)
    _begins: dict[Hashable, set[int]] = field(default_factory=dict)

    def keep(self, resource: Hashable, *, begin: int, end: int, when: cp_model.IntVar) -> None:
        """Busy at the marks begin..end-1 if `when` holds."""
        self._begins.setdefault(resource, set()).add(begin)
        covers = self._covers.setdefault(resource, {})
        for mark in range(begin, end):
            covers.setdefault(mark, []).append(when)

    def close(self) -> None:
        """Hold all uses of each resource apart. Called once, when all are known."""
        for resource, covers in self._covers.items():
            for mark in sorted(self._begins[resource]):
                if len(covers[mark]) > 1:
                    self.model.add_at_most_one(covers[mark])
