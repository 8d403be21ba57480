"""Whether a setting lies within its emission line and within what has been published.

Findings are warnings for a person who looks at a record. They never say what to set instead.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite

from courses.science.basis import CAUTION, Basis, Kind
from courses.science.errors import InvalidInput
from courses.science.ink_table import MATCH_NM
from courses.science.pulses import BASIS as PULSE_BASIS
from courses.science.pulses import check_pulse, seconds_text
from devices.metrology import pulse_energy_j

_SLACK = 1e-9
_SPOT_SLACK_MM = 0.05


class Severity(StrEnum):
    """How a finding is to be read."""

    REFUSED = "refused"
    BEYOND_LINE = "beyond_line"
    UNUSUAL = "unusual"


# Of any unit used here: what squares and quotients neither take to 0 nor to infinity.
LEAST = 1e-15
MOST = 1e9


@dataclass(frozen=True, slots=True)
class LineLimits:
    """What an emission line can deliver. Empty `spots_mm` means the spots are not known."""

    wavelength_nm: float
    pulse_min_s: float
    pulse_max_s: float
    max_energy_j: float
    max_rate_hz: float
    spots_mm: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Setting:
    """What was, or would be, used."""

    fluence_j_cm2: float
    spot_mm: float
    rate_hz: float
    pulse_s: float


@dataclass(frozen=True, slots=True)
class SettingFinding:
    """One thing out of range: which field, its value, the range, and from where."""

    code: str
    severity: Severity
    field: str
    value: float
    low: float | None
    high: float | None
    text: str
    basis: Basis


@dataclass(frozen=True, slots=True)
class SettingCheck:
    """All findings about a setting, with its energy per pulse in J."""

    energy_j: float
    findings: tuple[SettingFinding, ...]
    caution: str = CAUTION

    @property
    def within_line(self) -> bool:
        """Whether the emission line can deliver it and the pulse is for ink."""
        return all(finding.severity is Severity.UNUSUAL for finding in self.findings)


@dataclass(frozen=True, slots=True)
class PublishedRange:
    """A range of fluence (J/cm2) and pulse (s) that a source reports for a wavelength."""

    wavelength_nm: float
    pulse_s: tuple[float, float]
    fluence_j_cm2: tuple[float, float]
    source: str
    kind: Kind


PUBLISHED: tuple[PublishedRange, ...] = (
    PublishedRange(694, (25e-9, 80e-9), (1.5, 10), "Arch Dermatol 1990;126:893", Kind.PUBLISHED),
    PublishedRange(755, (50e-9, 100e-9), (6, 8), "Dermatol Surg 1999;25:10", Kind.PUBLISHED),
    PublishedRange(1064, (10e-9, 20e-9), (5, 10), "Dermatol Surg 1999;25:10", Kind.PUBLISHED),
    *(
        PublishedRange(nm, (5e-9, 100e-9), (1, 12), "J Biomed Opt 2012;17:047003", Kind.PUBLISHED)
        for nm in (532, 694, 755, 1064)
    ),
    PublishedRange(532, (5e-9, 10e-9), (1.5, 4), "from memory", Kind.MEMORY),
    PublishedRange(755, (500e-12, 900e-12), (0.7, 6), "from memory", Kind.MEMORY),
    PublishedRange(532, (300e-12, 450e-12), (0.2, 1.5), "from memory", Kind.MEMORY),
    PublishedRange(1064, (300e-12, 450e-12), (0.5, 4), "from memory", Kind.MEMORY),
    PublishedRange(
        785,
        (300e-12, 900e-12),
        (1.1, 3.1),
        "Lasers Surg Med 2018 study of 785 nm (news note)",
        Kind.PUBLISHED,
    ),
)

_LINE = Basis(
    id="setting.emission-line",
    version="1",
    source="limits of the laser model as recorded by the clinic",
    kind=Kind.COMMON_PRACTICE,
)
_SOFT = Basis(
    id="setting.usual-range",
    version="1",
    source="house judgement: spot 1 to 10 mm, 0.2 to 15 J/cm2, 0.5 to 20 Hz, 5 mJ to 2 J",
    kind=Kind.PROPOSAL,
)
_USUAL = {
    "spot_mm": (1.0, 10.0, "mm"),
    "fluence_j_cm2": (0.2, 15.0, "J/cm2"),
    "rate_hz": (0.5, 20.0, "Hz"),
    "energy_j": (0.005, 2.0, "J"),
}


def check_setting(setting: Setting, line: LineLimits) -> SettingCheck:
    """All findings about a setting on an emission line. Raises InvalidInput for no such value.

    Refused: a pulse that is not for ink. Beyond the line: what the laser cannot deliver, the
    edge included as possible. Unusual: outside usual and published ranges.
    """
    for name in ("fluence_j_cm2", "spot_mm", "rate_hz", "pulse_s"):
        value = getattr(setting, name)
        if isinstance(value, bool) or not isfinite(value) or not LEAST <= value <= MOST:
            raise InvalidInput(
                field=name,
                rule="positive",
                message=f"{name} must be above 0 and at most {MOST:g}, not {value}.",
            )
    energy_j = pulse_energy_j(setting.fluence_j_cm2, spot_mm=setting.spot_mm)
    findings = [
        *_pulse_findings(setting),
        *_line_findings(setting, line=line, energy_j=energy_j),
        *_usual_findings(setting, energy_j=energy_j),
        *_published_findings(setting, wavelength_nm=line.wavelength_nm),
    ]
    return SettingCheck(energy_j=energy_j, findings=tuple(findings))


def _pulse_findings(setting: Setting) -> Sequence[SettingFinding]:
    verdict = check_pulse(setting.pulse_s)
    if verdict.allowed and not verdict.warning:
        return []
    return [
        SettingFinding(
            code="pulse-not-for-ink" if not verdict.allowed else "pulse-unusual",
            severity=Severity.UNUSUAL if verdict.allowed else Severity.REFUSED,
            field="pulse_s",
            value=setting.pulse_s,
            low=None,
            high=1e-6,
            text=verdict.text if not verdict.allowed else verdict.warning,
            basis=PULSE_BASIS,
        )
    ]


def _line_findings(setting: Setting, *, line: LineLimits, energy_j: float) -> list[SettingFinding]:
    findings = []
    if energy_j > line.max_energy_j * (1 + _SLACK):
        findings.append(
            _beyond(
                "energy-beyond-line",
                field="energy_j",
                value=energy_j,
                high=line.max_energy_j,
                text=f"{setting.fluence_j_cm2:g} J/cm2 at {setting.spot_mm:g} mm is "
                f"{energy_j:.3g} J; the line gives at most {line.max_energy_j:g} J.",
            )
        )
    if setting.rate_hz > line.max_rate_hz * (1 + _SLACK):
        findings.append(
            _beyond(
                "rate-beyond-line",
                field="rate_hz",
                value=setting.rate_hz,
                high=line.max_rate_hz,
                text=f"The line gives at most {line.max_rate_hz:g} Hz.",
            )
        )
    low, high = line.pulse_min_s * (1 - _SLACK), line.pulse_max_s * (1 + _SLACK)
    if not low <= setting.pulse_s <= high:
        findings.append(
            _beyond(
                "pulse-beyond-line",
                field="pulse_s",
                value=setting.pulse_s,
                low=line.pulse_min_s,
                high=line.pulse_max_s,
                text=f"The line gives {seconds_text(line.pulse_min_s)} to "
                f"{seconds_text(line.pulse_max_s)}.",
            )
        )
    if line.spots_mm and all(abs(setting.spot_mm - s) > _SPOT_SLACK_MM for s in line.spots_mm):
        findings.append(
            _beyond(
                "spot-not-on-line",
                field="spot_mm",
                value=setting.spot_mm,
                low=min(line.spots_mm),
                high=max(line.spots_mm),
                text="The line has spots of "
                + ", ".join(f"{spot:g}" for spot in sorted(line.spots_mm))
                + " mm.",
            )
        )
    return findings


def _beyond(
    code: str,
    *,
    field: str,
    value: float,
    high: float,
    text: str,
    low: float | None = None,
) -> SettingFinding:
    return SettingFinding(
        code=code,
        severity=Severity.BEYOND_LINE,
        field=field,
        value=value,
        low=low,
        high=high,
        text=text,
        basis=_LINE,
    )


def _usual_findings(setting: Setting, *, energy_j: float) -> list[SettingFinding]:
    values = {
        "spot_mm": setting.spot_mm,
        "fluence_j_cm2": setting.fluence_j_cm2,
        "rate_hz": setting.rate_hz,
        "energy_j": energy_j,
    }
    return [
        SettingFinding(
            code=f"{name.split('_')[0]}-unusual",
            severity=Severity.UNUSUAL,
            field=name,
            value=values[name],
            low=low,
            high=high,
            text=f"Outside the usual {low:g} to {high:g} {unit}.",
            basis=_SOFT,
        )
        for name, (low, high, unit) in _USUAL.items()
        if not low <= values[name] <= high
    ]


def _published_findings(setting: Setting, *, wavelength_nm: float) -> list[SettingFinding]:
    ranges = [
        known
        for known in PUBLISHED
        if abs(known.wavelength_nm - wavelength_nm) <= MATCH_NM
        and known.pulse_s[0] <= setting.pulse_s <= known.pulse_s[1]
    ]
    if not ranges:
        return []
    low = min(known.fluence_j_cm2[0] for known in ranges)
    high = max(known.fluence_j_cm2[1] for known in ranges)
    if low <= setting.fluence_j_cm2 <= high:
        return []
    support = Kind.MEMORY if any(k.kind is Kind.MEMORY for k in ranges) else Kind.PUBLISHED
    return [
        SettingFinding(
            code="fluence-outside-published",
            severity=Severity.UNUSUAL,
            field="fluence_j_cm2",
            value=setting.fluence_j_cm2,
            low=low,
            high=high,
            text=f"Published for {wavelength_nm:g} nm and this pulse: {low:g} to {high:g} J/cm2.",
            basis=Basis(
                id="setting.published-range",
                version="1",
                source="; ".join(dict.fromkeys(known.source for known in ranges)),
                kind=support,
            ),
        )
    ]
