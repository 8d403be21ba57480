"""Names of the closed sets of codes in the OpenAPI document: those of the vocabularies."""

from enum import IntEnum, StrEnum
from types import ModuleType
from typing import Any

from clinics import vocabulary as clinics
from core import vocabulary as core
from core.vocabulary import choices
from courses import vocabulary as courses
from courses.channels import segments
from courses.timing import words as messages
from devices import vocabulary as devices
from devices.safety import vocabulary as safety


def _named(module: ModuleType) -> dict[str, list[tuple[Any, str]]]:
    return {
        f"{name}Code": list(choices(found))
        for name, found in vars(module).items()
        if isinstance(found, type)
        and issubclass(found, StrEnum | IntEnum)
        and found.__module__ == module.__name__
    }


def _once(names: dict[str, list[tuple[Any, str]]]) -> dict[str, list[tuple[Any, str]]]:
    """FHIR gives several resources one set of codes: it has one name, the first."""
    first: dict[tuple[tuple[Any, str], ...], str] = {}
    for name, codes in names.items():
        first.setdefault(tuple(codes), name)
    return {name: list(codes) for codes, name in first.items()}


ENUM_NAMES = _once(
    {
        **_named(core),
        **_named(clinics),
        **_named(devices),
        **_named(safety),
        **_named(courses),
        **_named(messages),
        **_named(segments),
    }
)
