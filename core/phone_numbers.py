"""Telephone numbers in one form: E.164 (ITU-T), `+` with country code and number."""

from typing import Final

import phonenumbers

SHORTEST: Final = len("+") + 7


class NoPhoneNumberError(ValueError):
    """A text that is no phone number, or none that can be reached from abroad."""

    def __init__(self) -> None:
        super().__init__(
            "This is no phone number; give it with its country code, such as +49 30 1234567."
        )


def e164(text: str, *, country: str) -> str:
    """The number; without a country code it is one of `country` (ISO 3166-1).

    Raises NoPhoneNumberError.
    """
    try:
        number = phonenumbers.parse(text, country)
    except phonenumbers.NumberParseException as error:
        raise NoPhoneNumberError from error
    # Some countries know numbers of two digits, which reach nobody from outside.
    written = phonenumbers.format_number(number, phonenumbers.PhoneNumberFormat.E164)
    if not phonenumbers.is_possible_number(number) or len(written) < SHORTEST:
        raise NoPhoneNumberError
    return written


def as_read(number: str) -> str:
    """A number in E.164 with the spaces of its country, for people (ITU-T E.123)."""
    return phonenumbers.format_number(
        phonenumbers.parse(number), phonenumbers.PhoneNumberFormat.INTERNATIONAL
    )
