"""Addresses of patients in one form: e-mail by Django's check, phone numbers as E.164."""

from collections.abc import Iterable

from django.core.exceptions import ValidationError
from django.core.validators import validate_email

from core.phone_numbers import NoPhoneNumberError, e164
from courses.errors import FieldsMalformed, field_malformed
from courses.vocabulary import Channel


def checked_address(
    address: str, *, channel: Channel, country: str, pointer: str = "/address"
) -> str:
    """The address as it is stored: e-mail with a lower-case domain, phone as +<country><number>.

    A phone number without a country code is read as one of `country` (ISO 3166-1). Raises
    FieldsMalformed, at `pointer`, for what cannot be an address of that channel.
    """
    if channel is Channel.EMAIL:
        return _email(address.strip(), pointer=pointer)
    return _phone(address.strip(), country=country, pointer=pointer)


def addresses_sought(
    address: str, *, channel: Channel, countries: Iterable[str], pointer: str
) -> list[str]:
    """The forms in which an address that somebody is looked for by may be stored.

    A phone number without a country code may be one of any of the countries. Raises
    FieldsMalformed when it is an address in none.
    """
    found, malformed = set[str](), None
    for country in sorted({*countries} or {""}):
        try:
            found.add(checked_address(address, channel=channel, country=country, pointer=pointer))
        except FieldsMalformed as error:
            malformed = error
    if malformed is not None and not found:
        raise malformed
    return sorted(found)


def _email(address: str, *, pointer: str) -> str:
    try:
        validate_email(address)
    except ValidationError as error:
        raise field_malformed(
            pointer, code="email_malformed", detail="This is no e-mail address."
        ) from error
    local, _, domain = address.rpartition("@")
    return f"{local}@{domain.lower()}"


def _phone(address: str, *, country: str, pointer: str) -> str:
    try:
        return e164(address, country=country)
    except NoPhoneNumberError as error:
        raise field_malformed(pointer, code="phone_malformed", detail=str(error)) from error
