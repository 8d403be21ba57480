"""What a healing window is computed from, read out of the records of one session."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from django.db.models import F, QuerySet

from clinics.models import Chain
from courses.errors import input_refused
from courses.healing import (
    REGISTRY,
    Facts,
    Policy,
    Release,
    Shortening,
    Window,
    compute_window,
    held_in,
    local_date,
    policy_of,
    set_aside_in,
)
from courses.healing import Observation as Seen
from courses.models import (
    HealingDecision,
    HealingWindow,
    HealingWindowVersion,
    Observation,
    Session,
    TreatmentPass,
)
from courses.vocabulary import (
    BodySite,
    DecisionKind,
    ObservationKind,
    ObservationStatus,
    Severity,
    SkinResponse,
    SkinType,
)

LIMB = REGISTRY["healing.limb"]


@dataclass(frozen=True, slots=True)
class Decisions:
    """What clinicians decided about one window, as the rules take it."""

    releases: tuple[Release, ...] = ()
    shortening: Shortening | None = None


def policy_of_chain(chain: Chain) -> Policy:
    """The chain's own lengthened rules. Raises InvalidInput when what is stored is not allowed."""
    return policy_of(chain.healing_policy, version=f"chain:{chain.pk}:{chain.version}")


def window_as_of(
    session: Session,
    *,
    today: date,
    stored: Mapping[str, Any] | None = None,
    decisions: Decisions | None = None,
) -> tuple[Facts, Window]:
    """The window of a session computed anew as of a local date of its clinic, with its facts.

    `stored` are the facts of an earlier version: what is corrected later about the person or the
    tattoo counts only where it is stricter, so that no edit brings a date forward. Five queries.
    """
    with input_refused():
        facts = session_facts(session, today=today)
        return _computed(session, facts, stored=stored, decisions=decisions or Decisions())


def session_facts(session: Session, *, today: date) -> Facts:
    """The facts of one session as they stand in the records. Three queries.

    The area is that of the parts treated; of several sites the one that heals slowest counts; the
    number of passes is the highest over any one part.
    """
    passes = list(session.passes.prefetch_related("parts__tattoo"))
    return _facts(session, passes=passes, observed=observations_of(session), today=today)


@dataclass(frozen=True, slots=True)
class WindowRecord:
    """All that one window is computed anew from, and its newest version."""

    session: Session
    passes: Sequence[TreatmentPass]
    observed: Sequence[Observation]
    newest: HealingWindowVersion
    decisions: Decisions

    def as_of(self, today: date) -> tuple[Facts, Window]:
        """As `window_as_of`, without asking the database."""
        with input_refused():
            facts = _facts(self.session, passes=self.passes, observed=self.observed, today=today)
            return _computed(
                self.session, facts, stored=self.newest.facts, decisions=self.decisions
            )


def window_records(windows: Collection[HealingWindow]) -> dict[int, WindowRecord]:
    """The records of these windows by their keys. Nine queries at most."""
    keys = [window.pk for window in windows]
    sessions = Session.objects.filter(healing_window__in=keys)
    of_window = {
        session.healing_window.pk: session
        for session in sessions.select_related(
            "clinic", "course__chain", "course__patient", "healing_window"
        )
    }
    found = [session.pk for session in of_window.values()]
    passes, observed = defaultdict(list), defaultdict(list)
    for one in TreatmentPass.objects.filter(session__in=found).prefetch_related("parts__tattoo"):
        passes[one.session_id].append(one)
    for seen in _counted(Observation.objects.filter(session__in=found)):
        observed[seen.session_id].append(seen)
    newest = HealingWindowVersion.objects.filter(window__in=keys, number=F("window__number"))
    versions = {version.window_id: version for version in newest}
    decisions = decisions_about_each(keys)
    return {
        pk: WindowRecord(
            session=session,
            passes=passes[session.pk],
            observed=observed[session.pk],
            newest=versions[pk],
            decisions=decisions.get(pk, Decisions()),
        )
        for pk, session in of_window.items()
    }


def _computed(
    session: Session, facts: Facts, *, stored: Mapping[str, Any] | None, decisions: Decisions
) -> tuple[Facts, Window]:
    known = facts if stored is None else stricter(facts, stored=stored)
    window = compute_window(
        known,
        policy_of_chain(session.course.chain),
        releases=decisions.releases,
        shortening=decisions.shortening,
    )
    return known, window


def _facts(
    session: Session,
    *,
    passes: Sequence[TreatmentPass],
    observed: Iterable[Observation],
    today: date,
) -> Facts:
    patient = session.course.patient
    parts = {part.pk: part for one in passes for part in one.parts.all()}
    tattoos = {part.tattoo_id: part.tattoo for part in parts.values()}
    per_part = [part.pk for one in passes for part in one.parts.all()]
    seen = tuple(_seen(row) for row in observed)
    return Facts(
        treated_on=session.treated_on,
        today=max([today, session.treated_on, *_dates(seen)]),
        passes=max((per_part.count(pk) for pk in parts), default=1),
        skin_type=SkinType(patient.skin_type),
        site=_slowest_site(tattoo.site for tattoo in tattoos.values()),
        area_cm2=sum(part.tattoo.area_cm2 * part.share for part in parts.values()) or None,
        smoker=patient.smoker,
        palpable=any(tattoo.palpable for tattoo in tattoos.values()),
        gold_ever=patient.gold_therapy_ever,
        observations=seen,
        responses=frozenset(SkinResponse(code) for one in passes for code in one.responses),
    )


def observations_of(session: Session) -> list[Observation]:
    """What was seen after the session, without what was entered in error. One query."""
    return list(_counted(session.observations.all()))


def _counted(observations: QuerySet[Observation]) -> QuerySet[Observation]:
    counted = observations.exclude(status=ObservationStatus.ENTERED_IN_ERROR)
    return counted.order_by("observed_on", "pk")


def stricter(facts: Facts, *, stored: Mapping[str, Any]) -> Facts:
    """The facts with person and tattoo as strict as they were stored before, or stricter."""
    site = BodySite(stored["site"]) if stored["site"] else None
    slow = site in LIMB.parameters_in(Policy()).codes("sites")
    return replace(
        facts,
        skin_type=max(filter(None, [facts.skin_type, _skin_type(stored)]), default=None),
        site=site if slow or facts.site is None else facts.site,
        area_cm2=max(filter(None, [facts.area_cm2, stored["area_cm2"]]), default=None),
        smoker=bool(facts.smoker or stored["smoker"]),
        palpable=bool(facts.palpable or stored["palpable"]),
    )


def decisions_about(window_id: int) -> Decisions:
    """The releases and the last shortening of a window. Two queries.

    A decision counts for what the version that the clinician saw showed, and for nothing newer.
    """
    return decisions_about_each([window_id]).get(window_id, Decisions())


def decisions_about_each(windows: Collection[int]) -> dict[int, Decisions]:
    """The same of several windows, for those that anybody decided about. Two queries."""
    rows: dict[int, list[HealingDecision]] = defaultdict(list)
    decided = HealingDecision.objects.filter(window__in=windows)
    for row in decided.select_related("decided_by", "window__session__clinic").order_by("pk"):
        rows[row.window_id].append(row)
    if not rows:
        return {}
    versions = HealingWindowVersion.objects.filter(
        window__in=list(rows),
        number__in={row.window_number for those in rows.values() for row in those},
    )
    shown = {
        (window_id, number): outcomes
        for window_id, number, outcomes in versions.values_list("window", "number", "outcomes")
    }
    return {window_id: _decisions(those, shown=shown) for window_id, those in rows.items()}


def _decisions(
    rows: Sequence[HealingDecision], *, shown: Mapping[tuple[int, int], list[Mapping[str, Any]]]
) -> Decisions:
    shortenings = [row for row in rows if row.kind == DecisionKind.SHORTEN]
    return Decisions(
        releases=tuple(
            _release(row, outcomes=shown[row.window_id, row.window_number])
            for row in rows
            if row.kind == DecisionKind.RELEASE
        ),
        shortening=(
            _shortening(
                shortenings[-1],
                outcomes=shown[shortenings[-1].window_id, shortenings[-1].window_number],
            )
            if shortenings
            else None
        ),
    )


def local_today(session: Session, *, now: datetime) -> date:
    """The date at the clinic of the session."""
    return local_date(now, zone=session.clinic.time_zone)


def _release(row: HealingDecision, *, outcomes: list[Mapping[str, Any]]) -> Release:
    return Release(
        released_on=_decided_on(row),
        by=row.decided_by.name,
        reason=row.reason,
        rule_ids=frozenset(row.rule_ids),
        keys=held_in(outcomes, rule_ids=row.rule_ids),
    )


def _shortening(row: HealingDecision, *, outcomes: list[Mapping[str, Any]]) -> Shortening:
    return Shortening(
        earliest_on=_required(row.earliest_on),
        decided_on=_decided_on(row),
        by=row.decided_by.name,
        reason=row.reason,
        set_aside=set_aside_in(outcomes),
    )


def _decided_on(row: HealingDecision) -> date:
    return local_today(row.window.session, now=row.decided_at)


def _required(day: date | None) -> date:
    if day is None:
        raise ValueError("a shortening has a date; the database says so")
    return day


def _seen(row: Observation) -> Seen:
    return Seen(
        kind=ObservationKind(row.kind),
        observed_on=row.observed_on,
        began_on=row.began_on,
        resolved_on=row.resolved_on,
        severity=Severity(row.severity),
        key=f"observation:{row.pk}",
    )


def _dates(seen: Iterable[Seen]) -> list[date]:
    return [day for one in seen for day in (one.observed_on, one.resolved_on) if day is not None]


def _slowest_site(sites: Iterable[str]) -> BodySite | None:
    known = [BodySite(site) for site in sites]
    slow = LIMB.parameters_in(Policy()).codes("sites")
    return next((site for site in known if site in slow), known[0] if known else None)


def _skin_type(stored: Mapping[str, Any]) -> SkinType | None:
    return None if stored["skin_type"] is None else SkinType(stored["skin_type"])
