"""The invented lasers as tables. Model names are made up; limits are plausible, nobody's data."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LineSketch:
    """A line: its limits, and how the demonstration's operators use it (spot, fluence from-to).

    Durations in ns, spots in mm, energy in J, rate in Hz, fluence in J/cm2.
    """

    wavelength_nm: int
    pulse_ns: tuple[float, float]
    spots_mm: tuple[float, ...]
    max_energy_j: float
    max_rate_hz: float
    used_spot_mm: float
    used_fluence_j_cm2: tuple[float, float]


@dataclass(frozen=True, slots=True)
class HandpieceSketch:
    """A handpiece for some lines; `fitted_days` are (since, until) days ago, None: still on."""

    lines_nm: tuple[int, ...]
    spots_mm: tuple[float, ...]
    rated_life: int
    counter: int
    fitted_days: tuple[int, int | None] = (380, None)


@dataclass(frozen=True, slots=True)
class LaserSketch:
    """A laser at a clinic; without a room it is mobile."""

    model: str
    label: str
    clinic: str
    room: str | None
    handpieces: tuple[HandpieceSketch, ...]


LOCKED_OUT = "Cinnabar in Rowan"

MODELS: dict[str, tuple[LineSketch, ...]] = {
    "Anvil Twin": (
        LineSketch(1064, (5, 10), (2, 3, 4, 6, 8), 1.2, 10, 4, (3.0, 7.0)),
        LineSketch(532, (5, 10), (2, 3, 4, 6), 0.5, 10, 3, (1.6, 3.0)),
    ),
    "Kestrel Trio": (
        LineSketch(1064, (0.35, 0.45), (2, 3, 4, 5, 6), 0.8, 10, 4, (1.2, 3.2)),
        LineSketch(532, (0.3, 0.4), (2, 3, 4, 5), 0.4, 10, 4, (0.4, 1.2)),
        LineSketch(785, (0.3, 0.4), (2, 2.5, 3, 4), 0.3, 10, 4, (1.2, 2.2)),
    ),
    "Halyard P": (LineSketch(755, (0.55, 0.75), (2, 2.5, 3, 4, 6), 0.25, 10, 3, (1.8, 3.2)),),
    "Plover A": (LineSketch(755, (50, 100), (2, 3, 4, 6), 1.4, 5, 4, (6.0, 7.8)),),
    "Cinnabar": (LineSketch(694, (25, 40), (3, 4, 5, 6), 2.0, 2, 5, (2.5, 6.0)),),
}

TWIN = HandpieceSketch((532, 1064), (2, 3, 4, 6), 3_000_000, 412_000)

LASERS = (
    LaserSketch("Anvil Twin", "Anvil in Larch", "ostwinkel", "Larch", (TWIN,)),
    LaserSketch(
        "Kestrel Trio",
        "Kestrel in Alder",
        "ostwinkel",
        "Alder",
        (
            HandpieceSketch((532, 1064), (2, 3, 4, 5), 2_000_000, 150_000),
            HandpieceSketch((785,), (2, 2.5, 3, 4), 1_000_000, 41_000),
        ),
    ),
    LaserSketch(
        "Cinnabar",
        LOCKED_OUT,
        "ostwinkel",
        "Rowan",
        (HandpieceSketch((694,), (3, 4, 5, 6), 500_000, 496_500),),
    ),
    LaserSketch(
        "Halyard P",
        "Halyard, mobile",
        "ostwinkel",
        None,
        (HandpieceSketch((755,), (2, 2.5, 3, 4), 1_500_000, 88_000),),
    ),
    LaserSketch(
        "Anvil Twin",
        "Anvil in Tide",
        "ribadoce",
        "Tide",
        (
            HandpieceSketch((532, 1064), (2, 3, 4, 6), 400_000, 371_000, (380, 150)),
            HandpieceSketch((532, 1064), (2, 3, 4, 6), 3_000_000, 0, (150, None)),
        ),
    ),
    LaserSketch(
        "Plover A",
        "Plover in Dune",
        "ribadoce",
        "Dune",
        (HandpieceSketch((755,), (2, 3, 4), 1_000_000, 207_000),),
    ),
    LaserSketch(
        "Kestrel Trio",
        "Kestrel in Pine",
        "millgrove",
        "Pine",
        (
            HandpieceSketch((532, 1064), (2, 3, 4, 5), 2_000_000, 98_000),
            HandpieceSketch((785,), (2, 2.5, 3, 4), 1_000_000, 12_000),
        ),
    ),
    LaserSketch("Anvil Twin", "Anvil in Cedar", "millgrove", "Cedar", (TWIN,)),
)
