"""What is shared by the writers of one clinic: how big it is to be, and the ids of what it has."""

import random
from dataclasses import dataclass, field
from datetime import date
from itertools import count
from typing import NamedTuple
from zoneinfo import ZoneInfo

from bench.chain.copying import Sheets
from clinics.models import Resource

LINES = ((532, 1064), (532, 755, 1064), (755,), (694, 1064), (532, 1064))
LONG_AGO = "2020-01-01"


class Own(NamedTuple):
    """A room, person or device and its resource."""

    id: int
    resource: int


class Person(NamedTuple):
    """A patient with a resource, a running course and one part of the tattoo."""

    id: int
    resource: int
    course: int
    part: int


@dataclass(slots=True)
class Numbers:
    """The next primary key of every table, and of lines by wavelength and model."""

    counters: dict[type, "count[int]"] = field(default_factory=dict)
    model_ids: list[int] = field(default_factory=list)
    line_ids: dict[tuple[int, int], int] = field(default_factory=dict)

    def next(self, model: type) -> int:
        return next(self.counters.setdefault(model, count(1)))


@dataclass(frozen=True, slots=True)
class Wanted:
    """How big one clinic is to be, and around which day."""

    patients: int
    past_rows: float
    future_rows: float
    future_weeks: int
    today: date
    seed: int


@dataclass(slots=True)
class Invented:
    """One clinic while it is being made; lists in order of position."""

    sheets: Sheets
    numbers: Numbers
    wanted: Wanted
    chain_id: int
    id: int
    zone: ZoneInfo
    country: str
    chance: random.Random
    rooms: list[Own] = field(default_factory=list)
    operators: list[Own] = field(default_factory=list)
    lasers: list[Own] = field(default_factory=list)
    handpieces: list[Own] = field(default_factory=list)
    patients: list[Person] = field(default_factory=list)

    def next(self, model: type) -> int:
        return self.numbers.next(model)

    def resource(self, kind: str, *, here: bool = True) -> tuple[int, tuple[object, ...]]:
        """A new resource and its row."""
        pk = self.next(Resource)
        return pk, (pk, self.chain_id, kind, self.id if here else None)

    def line_of(self, laser: int, nm: int) -> int:
        """The emission line of a laser (its position)."""
        return self.numbers.line_ids[self.numbers.model_ids[laser], nm]
