"""What eyewear and its policy refuse."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from core.errors import Conflict, Malformed, NotFound, Refused
from devices.metrology.errors import InvalidQuantity
from devices.safety.errors import OutsideTables


class EyewearUnknown(NotFound):
    """No such eyewear in the caller's chain."""

    code = "eyewear_unknown"
    title = "No such eyewear"


class AccompanyingUnknown(NotFound):
    """No such accompanying emission in the caller's chain."""

    code = "accompanying_emission_unknown"
    title = "No such accompanying emission"


class LabelTaken(Conflict):
    """Other eyewear of the chain has the label."""

    code = "label_taken"
    title = "Eyewear of this label exists"


class AccompanyingTaken(Conflict):
    """The line has an accompanying emission of this wavelength."""

    code = "accompanying_emission_taken"
    title = "The line has an accompanying emission of this wavelength already"


class EyewearMalformed(Malformed):
    """A mark or a range that cannot be, or a pair that says nothing; `errors` name the fields."""

    code = "eyewear_malformed"
    title = "What is said of the eyewear cannot be"


class EyewearMissing(Refused):
    """The room has not enough fitting eyewear; `lacking`: at which wavelengths, what would fit."""

    code = "eyewear_missing"
    title = "The room has not enough fitting eyewear"


class BeyondTables(Refused):
    """The tables of laser safety say nothing about this: it is refused, never extrapolated."""

    code = "outside_tables"
    title = "The tables of laser safety do not cover this"


class QuantityMalformed(Malformed):
    """A quantity that cannot be; `errors` names it with a JSON Pointer."""

    code = "quantity_malformed"
    title = "A quantity cannot be so"


@contextmanager
def tables_asked(names: Mapping[str, str] | None = None) -> Iterator[None]:
    """Turn what the safety package refuses into BeyondTables and QuantityMalformed.

    `names` gives the API's field where it differs from the package's.
    """
    try:
        yield
    except OutsideTables as refused:
        pointer = "/" + (names or {}).get(refused.field, refused.field)
        told = {"pointer": pointer, "code": "outside_tables", "detail": str(refused)}
        raise BeyondTables(
            str(refused), errors=[told], low=refused.low, high=refused.high
        ) from refused
    except InvalidQuantity as refused:
        pointer = "/" + (names or {}).get(refused.field, refused.field)
        told = {"pointer": pointer, "code": refused.rule, "detail": refused.message}
        raise QuantityMalformed(refused.message, errors=[told]) from refused
