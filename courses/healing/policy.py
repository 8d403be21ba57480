"""Parameters of the rules, and how a chain may change them: longer or stricter, never shorter."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from math import isfinite

from courses.science.errors import InvalidInput

Value = int | float | frozenset[str]
Given = int | float | Collection[str]


class Stricter(StrEnum):
    """Which way a parameter may move: every other way would shorten a window."""

    HIGHER = "higher"
    LOWER = "lower"
    WIDER = "wider"


@dataclass(frozen=True, slots=True)
class Parameter:
    """A named value of a rule, its unit, and the direction in which a chain may change it.

    `known` are the codes a set may hold; `limit` is the furthest a number may go.
    """

    name: str
    default: Value
    unit: str
    stricter: Stricter
    limit: float = 3650.0
    known: frozenset[str] = field(default_factory=frozenset)

    def changed_to(self, given: Given, *, where: str) -> Value:
        """The checked value. Raises InvalidInput when `given` would shorten a window."""
        if isinstance(self.default, frozenset):
            return self._set(given, default=self.default, where=where)
        if isinstance(given, bool) or not isinstance(given, int | float) or not isfinite(given):
            raise self._invalid(where, "policy-value", f"takes a number, not {given!r}")
        if isinstance(self.default, int) and given != int(given):
            raise self._invalid(where, "policy-value", f"takes a whole number, not {given:g}")
        low, high = sorted((float(self.default), self.limit))
        if not low <= given <= high:
            raise self._invalid(
                where, "policy-shortens", f"may be {low:g} to {high:g} {self.unit}, not {given:g}"
            )
        return int(given) if isinstance(self.default, int) else float(given)

    def _set(self, given: Given, *, default: frozenset[str], where: str) -> Value:
        if isinstance(given, str | int | float):
            raise self._invalid(where, "policy-value", f"takes a list of codes, not {given!r}")
        codes = frozenset(given)
        if not codes <= self.known:
            unknown = ", ".join(sorted(map(str, codes - self.known)))
            raise self._invalid(where, "policy-value", f"does not know {unknown}")
        if not default <= codes:
            left_out = ", ".join(sorted(default - codes))
            raise self._invalid(where, "policy-shortens", f"may not leave out {left_out}")
        return codes

    def _invalid(self, where: str, rule: str, what: str) -> InvalidInput:
        return InvalidInput(field=where, rule=rule, message=f"{self.name} {what}.")


@dataclass(frozen=True, slots=True)
class Parameters:
    """The values in force for one rule."""

    values: Mapping[str, Value]

    def whole(self, name: str) -> int:
        """A whole number (days, passes)."""
        return int(self.number(name))

    def number(self, name: str) -> float:
        """A number that need not be whole. Raises TypeError when `name` is a set."""
        value = self.values[name]
        if isinstance(value, frozenset):
            raise TypeError(name)
        return float(value)

    def codes(self, name: str) -> frozenset[str]:
        """A set of codes. Raises TypeError when `name` is a number."""
        value = self.values[name]
        if not isinstance(value, frozenset):
            raise TypeError(name)
        return value


@dataclass(frozen=True, slots=True)
class Policy:
    """A chain's own values: rule id -> parameter -> value; `version` is the chain's name for it.

    Checked against the registry by `rules.policy_of`; the default changes nothing.
    """

    version: str = "default"
    overrides: Mapping[str, Mapping[str, Value]] = field(default_factory=dict)
