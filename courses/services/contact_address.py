"""Addresses of patients in one form: e-mail by Django's check, phone numbers as E.164."""

from typing import Final

import phonenumbers
from django.core.exceptions import ValidationError
from django.core.validators import validate_email

from courses.errors import field_malformed
from courses.vocabulary import Channel

SHORTEST: Final = len("+") + 7


def checked_address(address: str, *, channel: Channel, country: str) -> str:
    """The address as it is stored: e-mail with a lower-case domain, phone as +<country><number>.

    A phone number without a country code is read as one of `country` (ISO 3166-1). Raises
    FieldsMalformed for what cannot be an address of that channel.
    """
    if channel is Channel.EMAIL:
        return _email(address.strip())
    return _phone(address.strip(), country=country)


def _email(address: str) -> str:
    try:
        validate_email(address)
    except ValidationError as error:
        raise field_malformed(
            "/address", code="email_malformed", detail="This is no e-mail address."
        ) from error
    local, _, domain = address.rpartition("@")
    return f"{local}@{domain.lower()}"


def _phone(address: str, *, country: str) -> str:
    malformed = field_malformed(
        "/address",
        code="phone_malformed",
        detail="This is no phone number; give it with its country code, such as +49 30 1234567.",
    )
    try:
        number = phonenumbers.parse(address, country)
    except phonenumbers.NumberParseException as error:
        raise malformed from error
    # Some countries know numbers of two digits, which reach nobody from outside.
    written = phonenumbers.format_number(number, phonenumbers.PhoneNumberFormat.E164)
    if not phonenumbers.is_possible_number(number) or len(written) < SHORTEST:
        raise malformed
    return written
