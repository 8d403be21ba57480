"""The checks before a session: id, version, where each comes from, and who may override it."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from courses.science.basis import Basis, Kind

_HOUSE = "rule of this service: only what is recorded as fit is used"
_MAKER = "limits of the laser model as recorded by the clinic"
_SAFETY = "controlled area, trained operators: common practice of laser safety"


@dataclass(frozen=True, slots=True)
class CheckRule:
    """One check. `overridable`: a treating clinician may go on in spite of it, with a reason."""

    id: str
    version: str
    source: str
    kind: Kind
    explanation: str
    overridable: bool = False

    @property
    def basis(self) -> Basis:
        """The check as the basis of an answer."""
        return Basis(
            id=f"session.{self.id}", version=self.version, source=self.source, kind=self.kind
        )


def _rules(kind: Kind, source: str, said: Mapping[str, str]) -> Iterable[CheckRule]:
    return (
        CheckRule(id=name, version="1", source=source, kind=kind, explanation=text)
        for name, text in said.items()
    )


CHECKS: Final[Mapping[str, CheckRule]] = {
    rule.id: rule
    for rule in (
        CheckRule(
            id="window_closed",
            version="1",
            source="the healing rules, each with its own basis",
            kind=Kind.COMMON_PRACTICE,
            explanation="The healing window of the skin to be treated has closed.",
            overridable=True,
        ),
        CheckRule(
            id="skin_ready",
            version="1",
            source="the healing rules for sun, infection and healing, before a first session",
            kind=Kind.COMMON_PRACTICE,
            explanation="Nothing seen before the first session speaks against it.",
            overridable=True,
        ),
        CheckRule(
            id="never_treat",
            version="1",
            source="Cohen & Ross 2015 (PMC4587895): chrysiasis after gold medication",
            kind=Kind.PUBLISHED,
            explanation="No rule says that this skin may never be treated.",
        ),
        CheckRule(
            id="pulse_short",
            version="1",
            source="short pulses only for ink: common practice; d^2/(16 k) after Anderson & "
            "Parrish 1983, constants from memory",
            kind=Kind.COMMON_PRACTICE,
            explanation="The pulse is a nanosecond or picosecond one.",
        ),
        CheckRule(
            id="precaution_block",
            version="1",
            source="the precautions, each with its own source",
            kind=Kind.PUBLISHED,
            explanation="Nothing that the patient answered rules the treatment out.",
        ),
        CheckRule(
            id="precaution_wait",
            version="1",
            source="the precautions, each with its own source",
            kind=Kind.COMMON_PRACTICE,
            explanation="Nothing that the patient answered asks for a later day.",
            overridable=True,
        ),
        CheckRule(
            id="precaution_hold",
            version="1",
            source="the precautions, each with its own source",
            kind=Kind.COMMON_PRACTICE,
            explanation="Nothing that the patient answered waits for a clinician.",
            overridable=True,
        ),
        CheckRule(
            id="precaution_warning",
            version="1",
            source="the precautions, each with its own source",
            kind=Kind.COMMON_PRACTICE,
            explanation="Nothing that the patient answered is to be warned of.",
        ),
        CheckRule(
            id="precautions_answered",
            version="1",
            source="how long an answer counts: house proposal",
            kind=Kind.PROPOSAL,
            explanation="Every question about precautions has an answer that counts.",
        ),
        CheckRule(
            id="eyewear_fits",
            version="1",
            source="2006/25/EC Annex II and IEC 60825-1:2014 (limits), EN 207:2017 (levels); "
            "eyewear as the clinic recorded it",
            kind=Kind.PUBLISHED,
            explanation="The room has eyewear for everyone that fits all that the laser emits.",
        ),
        *_rules(
            Kind.COMMON_PRACTICE,
            _HOUSE,
            {
                "course_active": "The course is active.",
                "appointment_stands": "The appointment is one of this course and still open.",
                "laser_in_service": "The laser is in service.",
                "laser_at_clinic": "The laser stands at this clinic.",
                "laser_in_room": "The laser is mobile, or stands in this room.",
                "handpiece_in_service": "The handpiece is in service.",
                "handpiece_fitted": "The handpiece is fitted to the laser at that instant.",
                "part_visible": "The part is not marked as gone.",
            },
        ),
        *_rules(
            Kind.COMMON_PRACTICE,
            _SAFETY,
            {
                "laser_not_locked_out": "The laser may fire: no lock-out holds.",
                "line_not_locked_out": "The line may fire: no lock-out of its own holds.",
                "laser_started_up": "The laser's start-up check of the day was made and passed.",
                "room_started_up": "The room's start-up check of the day was made and passed.",
                "room_controlled": "The room is one of this clinic, in use and laser-controlled.",
                "room_cleared": "The room is cleared for the wavelength.",
                "operator_credential": "The operator's credential covers this laser model and "
                "wavelength and is in date.",
            },
        ),
        *_rules(
            Kind.COMMON_PRACTICE,
            _MAKER,
            {
                "line_emitted": "The laser emits the line and the handpiece passes it.",
                "pulse_in_line": "The pulse duration is one of the line's.",
                "energy_in_line": "Fluence and spot ask for no more energy than the line gives.",
                "spot_in_line": "The spot is one of the line's.",
                "spot_in_handpiece": "The spot is one of the handpiece's.",
                "rate_in_line": "The line can fire at this rate.",
                "pulses_in_time": "No more pulses than the rate allows in the time.",
            },
        ),
        CheckRule(
            id="setting_usual",
            version="1",
            source="usual and published ranges; each finding names its own source",
            kind=Kind.PROPOSAL,
            explanation="The setting lies within usual and published ranges.",
        ),
        CheckRule(
            id="ink_answers",
            version="1",
            source="ink table: Kilmer 1993, Leuenberger 1999, Bernstein 2018 and others",
            kind=Kind.PUBLISHED,
            explanation="The ink is known to answer this wavelength.",
        ),
        CheckRule(
            id="ink_cautions",
            version="1",
            source="each caution names its own source",
            kind=Kind.COMMON_PRACTICE,
            explanation="No caution is known for this ink, wavelength and skin type.",
        ),
        CheckRule(
            id="whitening_gone",
            version="1",
            source="Kossida 2012 (passes 20 minutes apart), Reddy 2013 (gone at 20 minutes); "
            "10 to 30 minutes in practice, from memory",
            kind=Kind.PUBLISHED,
            explanation="The whitening of the pass before has had time to go.",
        ),
    )
}
