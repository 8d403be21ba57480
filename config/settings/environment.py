"""Reading of settings from the environment."""

import os

from django.core.exceptions import ImproperlyConfigured


def text(name: str, default: str = "") -> str:
    """Value of the environment variable `name`; an empty one counts as missing."""
    return os.environ.get(name, "").strip() or default


def required(name: str) -> str:
    """Value of `name`. Raises ImproperlyConfigured, naming the variable, when it is missing."""
    value = text(name)
    if not value:
        raise ImproperlyConfigured(f"Set the environment variable {name}.")
    return value


def number(name: str, default: int) -> int:
    """Whole number in `name`. Raises ImproperlyConfigured when it is something else."""
    value = text(name, str(default))
    if not value.isdecimal():
        raise ImproperlyConfigured(f"{name} must be a whole number, not {value!r}.")
    return int(value)


def flag(name: str, *, default: bool) -> bool:
    """Yes or no in `name`. Raises ImproperlyConfigured when it is neither."""
    value = text(name, "yes" if default else "no").lower()
    if value in {"1", "true", "yes", "on"}:
        return True
    if value in {"0", "false", "no", "off"}:
        return False
    raise ImproperlyConfigured(f"{name} must be yes or no, not {value!r}.")


def words(name: str, default: str = "") -> list[str]:
    """Comma-separated words in `name`, without blanks."""
    return [word.strip() for word in text(name, default).split(",") if word.strip()]
