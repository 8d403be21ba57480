"""Public holidays of a country or a part of it, from the `holidays` library."""

from collections.abc import Mapping
from datetime import date
from functools import lru_cache
from types import MappingProxyType

import holidays


class UnknownRegion(ValueError):
    """The `holidays` library knows no such country or subdivision."""


@lru_cache(maxsize=1024)
def public_holidays(country: str, subdivision: str, year: int) -> Mapping[date, str]:
    """Date to name (in the country's own default language) for one year; none without country.

    Substitute days for holidays that fall on a weekend are included where the law has them.
    Raises UnknownRegion.
    """
    if not country:
        return MappingProxyType({})
    try:
        found = holidays.country_holidays(country, subdiv=subdivision or None, years=year)
    except NotImplementedError as problem:
        raise UnknownRegion(
            f"no public holidays known for {country} {subdivision}".rstrip()
        ) from problem
    return MappingProxyType(dict(found))


def holiday_name(day: date, *, country: str, subdivision: str = "") -> str | None:
    """The name of the public holiday on `day`, or None. Raises UnknownRegion."""
    return public_holidays(country, subdivision, day.year).get(day)
