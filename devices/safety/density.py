"""Optical density that eyewear needs: OD = log10(H0 / limit), transmission 10^-OD.

H0 is averaged over the limiting aperture: a beam narrower than 7 mm is spread over 7 mm, a wider
one counts with its own fluence (Directive 2006/25/EC Annex II; TROS Laserstrahlung part 2, 5.1).
"""

from dataclasses import dataclass
from math import ceil, log10, pi

from devices.metrology.checks import positive
from devices.safety.errors import SetsMixed
from devices.safety.limits import Exposure, Limit
from devices.safety.ranges import SLACK


@dataclass(frozen=True, slots=True)
class Beam:
    """A beam: how it falls, the energy of one pulse in J, and its diameter in mm.

    The diameter holds 63 % of the energy (1/e points); for one given at 1/e^2 see `d63_mm`. A
    continuous beam has its power times `exposure.pulse_s` as energy. Raises InvalidQuantity.
    """

    exposure: Exposure
    energy_j: float
    diameter_mm: float

    def __post_init__(self) -> None:
        positive(self.energy_j, field="energy_j")
        positive(self.diameter_mm, field="diameter_mm")

    @property
    def average_power_w(self) -> float | None:
        """Energy times rate; None for a single pulse."""
        rate = self.exposure.rate_hz
        return None if rate is None else self.energy_j * rate


def d63_mm(d86_mm: float) -> float:
    """The diameter at the 1/e points of a Gaussian beam given at 1/e^2: less by sqrt 2."""
    return float(positive(d86_mm, field="diameter_mm") / 2**0.5)


def area_m2(diameter_mm: float) -> float:
    """Area in m2 of a disc of a diameter in mm. Raises InvalidQuantity."""
    return pi * (positive(diameter_mm, field="diameter_mm") * 1e-3) ** 2 / 4


def radiant_exposure_j_m2(energy_j: float, *, diameter_mm: float, aperture_mm: float) -> float:
    """J/m2 of one pulse, averaged over the aperture where the beam is narrower than that."""
    return positive(energy_j, field="energy_j") / area_m2(max(diameter_mm, aperture_mm))


def optical_density(exposed: float, *, limit: float) -> float:
    """OD that brings an exposure down to a limit of the same unit; 0 when it is below already.

    Raises InvalidQuantity.
    """
    return max(0.0, log10(positive(exposed, field="exposed") / positive(limit, field="limit")))


def required_density(beam: Beam, *, limit: Limit, margin: float = 1.0) -> float:
    """OD that eyewear needs against the beam at the place of exposure.

    `margin` multiplies the exposure (1.25 is published practice, 0.097 OD). The limit has to be
    one of this beam. Raises InvalidQuantity, SetsMixed for a limit of another exposure.
    """
    if limit.exposure != beam.exposure:
        raise SetsMixed("this beam", "another one")
    exposed = radiant_exposure_j_m2(
        beam.energy_j, diameter_mm=beam.diameter_mm, aperture_mm=limit.aperture_mm
    )
    return optical_density(exposed * positive(margin, field="margin"), limit=limit.value_j_m2)


def least_marked(density: float) -> int:
    """The whole OD to look for: a requirement is rounded up, never down."""
    return max(0, ceil(density - SLACK))
