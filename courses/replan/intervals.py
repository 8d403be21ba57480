"""A CP-SAT model of things that keep resources busy, each resource one thing at a time."""

from collections.abc import Hashable
from dataclasses import dataclass, field

from ortools.sat.python import cp_model


@dataclass(slots=True, eq=False)
class Diary:
    """Uses of resources that must not overlap; they may touch.

    A use whose start is open is an (optional) interval, and the intervals of a resource are held
    apart by no-overlap. A use at a fixed start that may or may not happen is stated mark by mark
    instead: of those that cover a mark at which one begins, at most one happens. For fixed starts
    the two say the same, but the second gives the solver a much stronger linear relaxation
    (three times as fast here). A resource has uses of one kind only.
    """

    model: cp_model.CpModel = field(default_factory=cp_model.CpModel)
    _intervals: dict[Hashable, list[cp_model.IntervalVar]] = field(default_factory=dict)
    _covers: dict[Hashable, dict[int, list[cp_model.IntVar]]] = field(default_factory=dict)
    _begins: dict[Hashable, set[int]] = field(default_factory=dict)

    def keep_open(
        self,
        resource: Hashable,
        *,
        start: cp_model.LinearExprT,
        length: int,
        when: cp_model.IntVar | None = None,
    ) -> None:
        """Busy for `length` from a start that the solver finds, if `when` holds (None: always)."""
        if when is None:
            use = self.model.new_fixed_size_interval_var(start, length, "")
        else:
            use = self.model.new_optional_fixed_size_interval_var(start, length, when, "")
        self._intervals.setdefault(resource, []).append(use)

    def keep(self, resource: Hashable, *, begin: int, end: int, when: cp_model.IntVar) -> None:
        """Busy at the marks begin..end-1 if `when` holds."""
        self._begins.setdefault(resource, set()).add(begin)
        covers = self._covers.setdefault(resource, {})
        for mark in range(begin, end):
            covers.setdefault(mark, []).append(when)

    def close(self) -> None:
        """Hold all uses of each resource apart. Called once, when all are known."""
        for uses in self._intervals.values():
            self.model.add_no_overlap(uses)
        for resource, covers in self._covers.items():
            for mark in sorted(self._begins[resource]):
                if len(covers[mark]) > 1:
                    self.model.add_at_most_one(covers[mark])
