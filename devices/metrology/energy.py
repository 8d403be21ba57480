"""Power and photon energy. SI constants: exact by definition since 2019."""

from devices.metrology.checks import positive

PLANCK_J_S = 6.626_070_15e-34
LIGHT_M_S = 299_792_458.0
ELEMENTARY_CHARGE_C = 1.602_176_634e-19
GAUSSIAN_PEAK_FACTOR = 0.94


def peak_power_w(energy_j: float, *, pulse_s: float) -> float:
    """Peak power in W of a flat pulse: Q / t. Raises InvalidQuantity."""
    return positive(energy_j, field="energy_j") / positive(pulse_s, field="pulse_s")


def gaussian_peak_power_w(energy_j: float, *, fwhm_s: float) -> float:
    """Peak power in W of a pulse Gaussian in time: 0.94 Q / FWHM (factor from memory)."""
    return GAUSSIAN_PEAK_FACTOR * peak_power_w(energy_j, pulse_s=fwhm_s)


def average_power_w(energy_j: float, *, rate_hz: float) -> float:
    """Average power in W: energy of a pulse x repetition rate. Raises InvalidQuantity."""
    return positive(energy_j, field="energy_j") * positive(rate_hz, field="rate_hz")


def photon_energy_ev(wavelength_nm: float) -> float:
    """Photon energy in eV: h c / wavelength. Raises InvalidQuantity."""
    metres = positive(wavelength_nm, field="wavelength_nm") * 1e-9
    return PLANCK_J_S * LIGHT_M_S / metres / ELEMENTARY_CHARGE_C
