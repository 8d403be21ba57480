"""Database constraints that many tables share. A name reads `<table>_<meaning>`."""

from enum import Enum

from django.db.models import CheckConstraint, F, Q


def one_of(field: str, vocabulary: type[Enum], *, name: str) -> CheckConstraint:
    """`field` holds a code of the vocabulary (or NULL where the column allows it)."""
    return CheckConstraint(
        condition=Q(**{f"{field}__in": [code.value for code in vocabulary]}), name=name
    )


def positive(field: str, *, name: str) -> CheckConstraint:
    """`field` is above zero (or NULL where the column allows it)."""
    return CheckConstraint(condition=Q(**{f"{field}__gt": 0}), name=name)


def bounded_start(field: str, *, name: str) -> CheckConstraint:
    """The range in `field` is not empty and has a lower end."""
    return CheckConstraint(
        condition=Q(**{f"{field}__isempty": False, f"{field}__lower_inf": False}), name=name
    )


def bounded(field: str, *, name: str) -> CheckConstraint:
    """The range in `field` is not empty and has both ends."""
    return CheckConstraint(
        condition=Q(
            **{
                f"{field}__isempty": False,
                f"{field}__lower_inf": False,
                f"{field}__upper_inf": False,
            }
        ),
        name=name,
    )


def not_before(later: str, earlier: str, *, name: str) -> CheckConstraint:
    """`later` is at or after `earlier` (or one of them is NULL)."""
    return CheckConstraint(condition=Q(**{f"{later}__gte": F(earlier)}), name=name)
