"""Where a computed answer comes from, and the caution that goes with every one of them."""

from dataclasses import dataclass
from enum import StrEnum

CAUTION = (
    "Decision support only. The treating clinician decides on treatment; the laser safety "
    "officer, the maker's instructions and local law come first."
)


class Kind(StrEnum):
    """How well a value is supported."""

    PUBLISHED = "published"
    COMMON_PRACTICE = "common_practice"
    PROPOSAL = "proposal"
    MEMORY = "memory"


@dataclass(frozen=True, slots=True)
class Basis:
    """The rule or formula behind a value: stable id, version, source and kind of support."""

    id: str
    version: str
    source: str
    kind: Kind
