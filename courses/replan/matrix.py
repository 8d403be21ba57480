"""A sparse matrix of a linear program, put together block by block."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from ortools.linear_solver.python.model_builder_helper import ModelBuilderHelper
from scipy.sparse import csr_array, csr_matrix

from courses.replan.points import Ints
from courses.replan.pricing import Floats


@dataclass(slots=True, eq=False)
class Matrix:
    """Rows, columns (0 or more, to be minimized) and what resources keep busy at which marks."""

    marks: int
    _least: list[Floats] = field(default_factory=list)
    _most: list[Floats] = field(default_factory=list)
    _costs: list[Floats] = field(default_factory=list)
    _entries: list[tuple[Ints, Ints, Floats]] = field(default_factory=list)
    _kept: list[tuple[Ints, Ints]] = field(default_factory=list)
    _begins: list[Ints] = field(default_factory=list)
    _rows: int = 0
    _columns: int = 0

    def rows(self, count: int, *, least: float, most: float) -> Ints:
        """Numbers of new rows, each with the same bounds."""
        self._least.append(np.full(count, least))
        self._most.append(np.full(count, most))
        self._rows += count
        return np.arange(self._rows - count, self._rows)

    def row(self, *, least: float, most: float) -> int:
        """The number of a new row."""
        return int(self.rows(1, least=least, most=most)[0])

    def columns(self, costs: npt.ArrayLike) -> Ints:
        """Numbers of new columns with these costs."""
        self._costs.append(np.asarray(costs, dtype=np.float64))
        self._columns += len(self._costs[-1])
        return np.arange(self._columns - len(self._costs[-1]), self._columns)

    def column(self, cost: float) -> int:
        """The number of a new column."""
        return int(self.columns([cost])[0])

    def put(self, rows: npt.ArrayLike, columns: npt.ArrayLike, value: float) -> None:
        """The same value where rows and columns meet, pair by pair; a single row serves all."""
        where = np.asarray(columns, dtype=np.int64)
        which = np.broadcast_to(np.asarray(rows, dtype=np.int64), where.shape)
        self._entries.append((which, where, np.full(len(where), value)))

    def keep(self, resources: Ints, begins: Ints, columns: Ints, *, length: int) -> None:
        """Columns keep resources busy at `length` marks from where they begin."""
        first = resources * self.marks + begins
        self._begins.append(first)
        for mark in range(length):
            self._kept.append((first + mark, columns))

    def fill(self, model: ModelBuilderHelper) -> Ints:
        """Hand everything to a model. The last rows: each resource and mark is used once at most.

        Returned are their keys (resource x marks + mark), in order; marks at which nothing
        begins need no row.
        """
        keys, columns = (np.concatenate(part) for part in zip(*self._kept, strict=True))
        begun = np.isin(keys, np.unique(np.concatenate(self._begins)))
        kept, number = np.unique(keys[begun], return_inverse=True)
        rows = self.rows(len(kept), least=-np.inf, most=1)
        self.put(rows[number], columns[begun], 1)
        which, where, values = (np.concatenate(part) for part in zip(*self._entries, strict=True))
        shape = (self._rows, self._columns)
        matrix = csr_matrix(csr_array((values, (which, where)), shape=shape))
        zeros = _flat([np.zeros(self._columns)])
        costs, least, most = (_flat(part) for part in (self._costs, self._least, self._most))
        model.fill_model_from_sparse_data(zeros, zeros + np.inf, costs, least, most, matrix)
        return kept


def _flat(parts: list[Floats]) -> Any:
    """In one array; typed loosely, as the solver's types are those of another numpy."""
    return np.concatenate(parts)
