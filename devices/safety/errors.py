"""The refusals of the safety package; bad numbers raise metrology's InvalidQuantity."""


class OutsideTables(ValueError):
    """A value that the tables say nothing about: it is refused, never extrapolated.

    `field` names it, `low` and `high` are the ends of what the tables cover, in its unit.
    """

    def __init__(self, *, field: str, value: float, low: float, high: float) -> None:
        super().__init__(f"{field} is {value:g}; the tables cover {low:g} to {high:g}.")
        self.field = field
        self.value = value
        self.low = low
        self.high = high

    def __reduce__(self) -> tuple[object, ...]:
        return (_outside, (self.field, self.value, self.low, self.high))


def _outside(field: str, value: float, low: float, high: float) -> OutsideTables:
    return OutsideTables(field=field, value=value, low=low, high=high)


class SetsMixed(ValueError):
    """Limits of two sets in one comparison; `sets` names them."""

    def __init__(self, *sets: str) -> None:
        super().__init__(f"Limits of {' and '.join(sets)} cannot be compared with one another.")
        self.sets = sets

    def __reduce__(self) -> tuple[object, ...]:
        return (SetsMixed, self.sets)


class MarkUnreadable(ValueError):
    """A mark that does not follow the form of EN 207; `mark` is what was given."""

    def __init__(self, mark: str, *, reason: str) -> None:
        super().__init__(f"{reason} in the mark {mark!r}.")
        self.mark = mark
        self.reason = reason

    def __reduce__(self) -> tuple[object, ...]:
        return (_unreadable, (self.mark, self.reason))


def _unreadable(mark: str, reason: str) -> MarkUnreadable:
    return MarkUnreadable(mark, reason=reason)
