"""Where the computed answers about devices come from, and the caution they carry."""

from typing import Final

CAUTION: Final = (
    "For planning and records only. The laser safety officer, the maker's instructions and local "
    "law decide what a laser may do; the treating clinician decides on treatment."
)

TOP_HAT: Final = {
    "id": "fluence-top-hat",
    "version": "1",
    "source": "Textbook optics, evenly lit round spot: F = 4 Q / (pi d^2)",
    "kind": "published",
}
LINE_LIMIT: Final = {
    "id": "emission-line-limit",
    "version": "1",
    "source": "Limits of the emission line as the chain entered them from the maker's instructions",
    "kind": "common_practice",
}
USAGE: Final = {
    "id": "pulse-usage",
    "version": "1",
    "source": "Sum of the pulse ledger; a correction counts where its entry counts",
    "kind": "common_practice",
}
LIFE: Final = {
    "id": "handpiece-life",
    "version": "2",
    "source": "Counter at the start of the record plus the sum of the pulse ledger; months from "
    "its first fitting; rated lives as the chain entered them",
    "kind": "common_practice",
}
LEDGER_CHAIN: Final = {
    "id": "ledger-chain",
    "version": "1",
    "source": "SHA-256 (FIPS 180-4) over each entry, encoded, and the digest of the one before",
    "kind": "published",
}
RECONCILIATION: Final = {
    "id": "counter-reconciliation",
    "version": "1",
    "source": "What a counter gained between two readings is what the ledger holds for that time",
    "kind": "common_practice",
}
