"""What a healing window is computed from: the treatment, the person, and what the skin shows.

All dates are local calendar dates of the clinic that treated. A fact that is not known is None;
a rule that needs it then says so instead of guessing.
"""

from dataclasses import dataclass, field
from datetime import date

from courses.science.errors import InvalidInput
from courses.vocabulary import BodySite, ObservationKind, Severity, SkinResponse, SkinType

MAX_AREA_CM2 = 25_000.0
MAX_PASSES = 20

RESPONSE_FINDINGS = {
    SkinResponse.TORN_EPIDERMIS: ObservationKind.TORN_EPIDERMIS,
    SkinResponse.DARKENING: ObservationKind.DARKENING,
    SkinResponse.WHEAL: ObservationKind.ALLERGY,
    SkinResponse.BLISTER: ObservationKind.BLISTER,
}


@dataclass(frozen=True, slots=True)
class Observation:
    """One thing the skin showed.

    Seen on `observed_on`, there since `began_on`, gone on `resolved_on` (None: not gone as far
    as is known). `key` is the caller's name for the record.
    """

    kind: ObservationKind
    observed_on: date
    began_on: date | None = None
    resolved_on: date | None = None
    severity: Severity | None = None
    key: str = ""

    def __post_init__(self) -> None:
        """Raise InvalidInput when the three dates are out of order."""
        if self.began_on is not None and self.began_on > self.observed_on:
            raise InvalidInput(
                field="observations.began_on",
                rule="began-after-observed",
                message=f"{self.kind.value} cannot be seen on {self.observed_on} and begin on "
                f"{self.began_on}.",
            )
        if self.resolved_on is not None and self.resolved_on < self.observed_on:
            raise InvalidInput(
                field="observations.resolved_on",
                rule="resolved-before-observed",
                message=f"{self.kind.value} cannot be gone on {self.resolved_on} and still be "
                f"seen on {self.observed_on}.",
            )


@dataclass(frozen=True, slots=True)
class Facts:
    """One treatment of one area and what is known since, as of the local date `today`.

    `observations` are those seen on or after `treated_on`. `sun_exposures` are dates on which
    the site was tanned or burnt. `palpable`: the tattoo was raised before treatment.
    `responses`: what the skin did during the passes.
    """

    treated_on: date
    today: date
    passes: int = 1
    skin_type: SkinType | None = None
    site: BodySite | None = None
    area_cm2: float | None = None
    smoker: bool | None = None
    palpable: bool | None = None
    gold_ever: bool | None = None
    observations: tuple[Observation, ...] = ()
    sun_exposures: tuple[date, ...] = ()
    responses: frozenset[SkinResponse] = field(default_factory=frozenset)

    def __post_init__(self) -> None:
        """Raise InvalidInput for a number out of range or a date out of place."""
        if self.today < self.treated_on:
            raise _invalid("today", "today-before-treatment", "Today lies before the treatment.")
        if isinstance(self.passes, bool) or not 1 <= self.passes <= MAX_PASSES:
            raise _invalid(
                "passes", "passes-range", f"Passes must be 1 to {MAX_PASSES}, not {self.passes}."
            )
        if self.area_cm2 is not None and not 0 < self.area_cm2 <= MAX_AREA_CM2:
            raise _invalid("area_cm2", "area-range", f"No body has {self.area_cm2:g} cm2.")
        for seen in self.observations:
            self._check_observation(seen)
        for exposed_on in self.sun_exposures:
            if exposed_on > self.today:
                raise _invalid(
                    "sun_exposures", "date-in-future", f"{exposed_on} lies in the future."
                )

    def _check_observation(self, seen: Observation) -> None:
        if seen.observed_on < self.treated_on:
            raise _invalid(
                "observations.observed_on",
                "observed-before-treatment",
                f"{seen.kind.value} of {seen.observed_on} was seen before the treatment of "
                f"{self.treated_on} and belongs to an earlier window.",
            )
        if seen.observed_on > self.today or (seen.resolved_on or self.today) > self.today:
            raise _invalid(
                "observations", "date-in-future", f"{seen.kind.value} lies in the future."
            )

    def findings(self, *kinds: ObservationKind) -> tuple[Observation, ...]:
        """Observations of these kinds, and what the passes themselves showed of them.

        A blister during a pass counts until somebody records the blister as an observation,
        which then takes its place.
        """
        seen = [item for item in self.observations if item.kind in kinds]
        noted = {item.kind for item in seen}
        for response in sorted(self.responses & RESPONSE_FINDINGS.keys()):
            kind = RESPONSE_FINDINGS[response]
            if kind in kinds and not (kind is ObservationKind.BLISTER and kind in noted):
                seen.append(
                    Observation(
                        kind=kind, observed_on=self.treated_on, key=f"session:{response.value}"
                    )
                )
        return tuple(seen)


@dataclass(frozen=True, slots=True)
class Release:
    """A clinician's release of holds: of `rule_ids` (empty: all), for the findings `keys`.

    `keys` None means every finding seen up to `released_on`. A finding that the clinician could
    not have known of holds again.
    """

    released_on: date
    by: str
    reason: str
    rule_ids: frozenset[str] = field(default_factory=frozenset)
    keys: frozenset[str] | None = None

    def __post_init__(self) -> None:
        """Raise InvalidInput without a name or a reason."""
        _check_signed("release", by=self.by, reason=self.reason)

    def covers(self, rule_id: str, *, finding: Observation) -> bool:
        """Whether this release lifts the hold that `rule_id` puts on `finding`."""
        if self.rule_ids and rule_id not in self.rule_ids:
            return False
        if self.keys is None:
            return finding.observed_on <= self.released_on
        return finding.key in self.keys


@dataclass(frozen=True, slots=True)
class Shortening:
    """A clinician's earlier date for this one case.

    `set_aside` is the date that each rule gave when the clinician decided (rule id -> date). A
    rule that later gives a later date binds again: nobody has looked at that.
    """

    earliest_on: date
    decided_on: date
    by: str
    reason: str
    set_aside: tuple[tuple[str, date], ...]

    def __post_init__(self) -> None:
        """Raise InvalidInput without a name or a reason."""
        _check_signed("shortening", by=self.by, reason=self.reason)

    def sets_aside(self, rule_id: str, *, on: date) -> bool:
        """Whether the clinician knew that `rule_id` asks for `on` (or later) and decided so."""
        return on <= dict(self.set_aside).get(rule_id, date.min)


def _check_signed(name: str, *, by: str, reason: str) -> None:
    if not reason.strip():
        raise _invalid(f"{name}.reason", "reason-missing", f"A {name} needs a reason.")
    if not by.strip():
        raise _invalid(f"{name}.by", "who-missing", f"A {name} needs the name of who decided.")


def _invalid(name: str, rule: str, message: str) -> InvalidInput:
    return InvalidInput(field=name, rule=rule, message=message)
