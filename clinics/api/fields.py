"""Fields of the organisation that carry a rule of their own."""

from typing import Any, Final

from rest_framework import serializers

from clinics.hours import UnknownRegion, public_holidays
from core.phone_numbers import NoPhoneNumberError, e164

SHORTEST_NM: Final = 180
LONGEST_NM: Final = 20_000
A_YEAR: Final = 2026  # which year does not matter: the question is whether the place is known


class WavelengthsField(serializers.ListField):
    """Wavelengths in nm: each once, in ascending order."""

    def __init__(self, **kwargs: Any) -> None:
        child = serializers.IntegerField(min_value=SHORTEST_NM, max_value=LONGEST_NM)
        super().__init__(**{"child": child, "max_length": 30, "required": False, **kwargs})

    def to_internal_value(self, data: Any) -> list[int]:
        return sorted(set(super().to_internal_value(data)))


def check_region(country: str, subdivision: str) -> None:
    """Raise a field error unless public holidays are known for the place.

    No country means that no public holidays are kept, and then there is no subdivision.
    """
    if not country and subdivision:
        raise serializers.ValidationError({"subdivision": "Has no country."}, code="unknown")
    for field, parts in (("country", (country, "")), ("subdivision", (country, subdivision))):
        try:
            public_holidays(*parts, A_YEAR)
        except UnknownRegion as unknown:
            raise serializers.ValidationError({field: str(unknown)}, code="unknown") from unknown


def checked_phone(text: str, *, country: str) -> str:
    """The number in E.164. Raises a field error."""
    try:
        return e164(text, country=country)
    except NoPhoneNumberError as error:
        raise serializers.ValidationError({"phone": str(error)}, code="phone_malformed") from error
