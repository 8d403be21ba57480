"""The same small change on any row that carries a version."""

from collections.abc import Mapping
from typing import Any, TypeVar

from core.models import Versioned

V = TypeVar("V", bound=Versioned)


def differs(row: Versioned, changes: Mapping[str, Any]) -> bool:
    """Whether any of these attributes would become another than it is."""
    return any(getattr(row, name) != value for name, value in changes.items())


def changed(row: V, changes: Mapping[str, Any]) -> V:
    """Set these attributes and save the row. Raises Stale."""
    for name, value in changes.items():
        setattr(row, name, value)
    row.save()
    return row
