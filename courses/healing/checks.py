"""What each healing rule looks for: one small function for each, over the facts of a treatment."""

from datetime import date, timedelta

from courses.healing.facts import Facts, Observation
from courses.healing.policy import Parameters
from courses.healing.rules import Check, HoldUntil, Verdict
from courses.vocabulary import ObservationKind, SkinType

ROMAN = {t.value: t.name for t in SkinType}


def _no(reason: str, *, missing: str = "") -> Verdict:
    return Verdict(applies=False, reason=reason, missing=missing)


def _from_session(facts: Facts, days: int, reason: str) -> Verdict:
    return Verdict(applies=True, reason=reason, on=facts.treated_on + timedelta(days=days))


def always(facts: Facts, parameters: Parameters) -> Verdict:
    """So many days after every treatment."""
    days = parameters.whole("days")
    return _from_session(facts, days, f"{days} days after the treatment of {facts.treated_on}.")


def several_passes(facts: Facts, parameters: Parameters) -> Verdict:
    """So many days after a session of several passes."""
    if facts.passes < parameters.whole("passes"):
        return _no("One pass in the session.")
    return _from_session(facts, parameters.whole("days"), f"{facts.passes} passes in the session.")


def darker_skin(facts: Facts, parameters: Parameters) -> Verdict:
    """So many days for the darker skin types."""
    if facts.skin_type is None:
        return _no("The skin type is not known.", missing="skin_type")
    skin_type = f"Skin type {ROMAN[facts.skin_type]}."
    if facts.skin_type < parameters.whole("from_skin_type"):
        return _no(skin_type)
    return _from_session(facts, parameters.whole("days"), skin_type)


def limb(facts: Facts, parameters: Parameters) -> Verdict:
    """So many days for sites that drain slowly."""
    if facts.site is None:
        return _no("The site is not known.", missing="site")
    site = f"The site is {facts.site.value.replace('_', ' ')}."
    if facts.site not in parameters.codes("sites"):
        return _no(site)
    return _from_session(facts, parameters.whole("days"), site)


def large_area(facts: Facts, parameters: Parameters) -> Verdict:
    """So many days above an area."""
    if facts.area_cm2 is None:
        return _no("The area is not known.", missing="area_cm2")
    area = f"The area is {facts.area_cm2:g} cm2."
    if facts.area_cm2 <= parameters.number("over_cm2"):
        return _no(area)
    return _from_session(facts, parameters.whole("days"), area)


def smoker(facts: Facts, parameters: Parameters) -> Verdict:
    """So many days for a smoker."""
    if facts.smoker is None:
        return _no("It is not known whether the patient smokes.", missing="smoker")
    if not facts.smoker:
        return _no("The patient does not smoke.")
    return _from_session(facts, parameters.whole("days"), "The patient smokes.")


def blister_with_erosion(facts: Facts, parameters: Parameters) -> Verdict:
    """So many days when both a blister and an erosion were seen."""
    blisters = facts.findings(ObservationKind.BLISTER)
    erosions = facts.findings(ObservationKind.EROSION)
    if not (blisters and erosions):
        return _no("No blister with erosion was seen.")
    return _from_session(
        facts,
        parameters.whole("days"),
        f"A blister ({blisters[0].observed_on}) and an erosion ({erosions[0].observed_on}).",
    )


def hyperpigmentation(facts: Facts, parameters: Parameters) -> Verdict:
    """So many days when hyperpigmentation was seen."""
    seen = facts.findings(ObservationKind.HYPERPIGMENTATION)
    if not seen:
        return _no("No hyperpigmentation was seen.")
    return _from_session(
        facts, parameters.whole("days"), f"Hyperpigmentation seen on {seen[0].observed_on}."
    )


def slow_healing(facts: Facts, parameters: Parameters) -> Verdict:
    """So many days when a crust or erosion was there after a given day."""
    limit = facts.treated_on + timedelta(days=parameters.whole("after_days"))
    for seen in facts.findings(ObservationKind.CRUST, ObservationKind.EROSION):
        there_until = seen.resolved_on or facts.today
        if there_until > limit:
            days = (there_until - facts.treated_on).days
            return _from_session(
                facts, parameters.whole("days"), f"{_name(seen)} still there on day {days}."
            )
    return _no(f"No crust or erosion after {limit}.")


def healed(facts: Facts, parameters: Parameters) -> Verdict:
    """So many days after the last healing; a hold while something has not healed."""
    seen = facts.findings(
        ObservationKind.EROSION,
        ObservationKind.BLISTER,
        ObservationKind.CRUST,
        ObservationKind.SWELLING,
    )
    if not seen:
        return _no("No erosion, blister, crust or swelling was seen.")
    days = timedelta(days=parameters.whole("days"))
    healed_on = max((s.resolved_on for s in seen if s.resolved_on is not None), default=None)
    open_ones = tuple(s for s in seen if s.resolved_on is None)
    parts = []
    if healed_on is not None:
        parts.append(f"Healed on {healed_on}; {days.days} days are left after that.")
    if open_ones:
        names = ", ".join(f"{_name(s)} of {s.observed_on}" for s in open_ones)
        parts.append(f"Not seen healed: {names}.")
    return Verdict(
        applies=True,
        reason=" ".join(parts),
        on=healed_on + days if healed_on is not None else None,
        until=HoldUntil.SEEN_HEALED if open_ones else None,
        findings=open_ones,
    )


def sun(facts: Facts, parameters: Parameters) -> Verdict:
    """So many days after the last sun on the site."""
    seen = facts.findings(ObservationKind.TAN, ObservationKind.SUNBURN)
    exposures = [*facts.sun_exposures, *(s.observed_on for s in seen)]
    if not exposures:
        return _no("No tan or sunburn on the site is known.")
    last = max(exposures)
    return Verdict(
        applies=True,
        reason=f"Last tan or sunburn on the site: {last}.",
        on=last + timedelta(days=parameters.whole("days")),
    )


def still_raised(facts: Facts, parameters: Parameters) -> Verdict:
    """A hold while raised skin has not been seen flat by the review day."""
    review_on = facts.treated_on + timedelta(days=parameters.whole("review_day"))
    raised = facts.findings(ObservationKind.RAISED)
    open_ones = tuple(seen for seen in raised if _flat_on(facts, raised=seen) is None)
    settled = [day for day in (_flat_on(facts, raised=seen) for seen in raised) if day]
    late = max((day for day in settled if day >= review_on), default=None)
    if not open_ones:
        if late is None:
            return _no("Nothing raised is waiting to be seen flat.")
        return Verdict(applies=True, reason=f"Seen flat on {late}.", on=late)
    last = max(seen.observed_on for seen in open_ones)
    before = " The tattoo was palpable before the treatment." if facts.palpable else ""
    if facts.today < review_on:
        return _no(f"Raised on {last}; must be seen flat by {review_on}.{before}")
    return Verdict(
        applies=True,
        reason=f"Raised on {last} and not seen flat since; review by a clinician.{before}",
        on=late,
        until=HoldUntil.SEEN_FLAT,
        findings=open_ones,
    )


def _flat_on(facts: Facts, *, raised: Observation) -> date | None:
    """The day on which raised skin was first known to be flat again, or None."""
    flat = [
        seen.observed_on
        for seen in facts.findings(ObservationKind.FLAT)
        if seen.observed_on >= raised.observed_on
    ]
    return min((day for day in (raised.resolved_on, *flat) if day is not None), default=None)


def hold_for(kind: ObservationKind) -> Check:
    """A check that holds for every finding of `kind` until a clinician releases it."""

    def check(facts: Facts, _parameters: Parameters) -> Verdict:
        seen = facts.findings(kind)
        if not seen:
            return _no(f"No {kind.value.replace('_', ' ')} was seen.")
        return Verdict(
            applies=True,
            reason=f"{_name(seen[0])} seen on {seen[0].observed_on}; a clinician must look.",
            until=HoldUntil.CLINICIAN_RELEASE,
            findings=seen,
        )

    return check


def gold(facts: Facts, _parameters: Parameters) -> Verdict:
    """Never, after gold medication."""
    if facts.gold_ever is None:
        return _no("It is not known whether gold medication was ever taken.", missing="gold_ever")
    if not facts.gold_ever:
        return _no("No gold medication, ever.")
    return Verdict(applies=True, reason="Gold medication was taken at some time in life.")


def _name(seen: Observation) -> str:
    return seen.kind.value.replace("_", " ").capitalize()
