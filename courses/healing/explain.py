"""The window in plain JSON values: what is stored with a version and what a reader is shown."""

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from courses.healing.facts import Facts, Release, Shortening
from courses.healing.policy import Value
from courses.healing.rules import HoldUntil
from courses.healing.window import Outcome, Standing, Window
from courses.vocabulary import WindowState

Json = dict[str, Any]

_ENDS = {
    HoldUntil.SEEN_HEALED: "until it is seen healed",
    HoldUntil.SEEN_FLAT: "until it is seen flat, with a review by a clinician",
    HoldUntil.CLINICIAN_RELEASE: "until a clinician releases it",
}


def explain(window: Window) -> Json:
    """Everything about a window, JSON-ready, with basis and caution.

    Rules stand in three lists: those that bound, those that applied without binding, and those
    that did not apply, each with its reason.
    """
    outcomes = outcomes_json(window)
    return {
        "state": window.state.value,
        "summary": summary(window),
        "treated_on": window.treated_on.isoformat(),
        "as_of": window.as_of.isoformat(),
        "earliest_on": _iso(window.earliest_on),
        "advised_on": _iso(window.advised_on),
        "not_before": _iso(window.not_before),
        "by_rules_on": _iso(window.by_rules_on),
        "bound": [o for o in outcomes if o["standing"] == Standing.BOUND.value],
        "applied_not_binding": [o for o in outcomes if o["standing"] == Standing.APPLIED.value],
        "not_applicable": [o for o in outcomes if o["standing"] == Standing.NOT_APPLICABLE.value],
        "holds": [
            {
                "rule_id": hold.rule_id,
                "until": hold.until.value,
                "reason": hold.reason,
                "keys": list(hold.keys),
            }
            for hold in window.holds
        ],
        "releases": [_release_json(release) for release in window.releases],
        "shortening": shortening_json(window.shortening) if window.shortening else None,
        "flags": [
            {
                "kind": flag.kind.value,
                "key": flag.key,
                "since": flag.since.isoformat(),
                "refer": flag.refer,
                "text": flag.text,
                "source": flag.source,
            }
            for flag in window.flags
        ],
        "missing": list(window.missing),
        "policy_version": window.policy_version,
        "registry_version": window.registry_version,
        "basis": [
            {"id": b.id, "version": b.version, "source": b.source, "kind": b.kind.value}
            for b in window.basis
        ],
        "caution": window.caution,
    }


def summary(window: Window) -> str:
    """One or two sentences for a person at the front desk."""
    if window.state is WindowState.NEVER:
        return "This area may never be treated again. " + _because(window)
    if window.holds:
        ends = dict.fromkeys(f"{h.reason} Held {_ENDS[h.until]}." for h in window.holds)
        return f"No date can be said, and none before {window.not_before}. " + " ".join(ends)
    text = f"Not before {window.earliest_on} (day {window.days}); advised: {window.advised_on}. "
    if window.shortening is not None:
        text += (
            f"Shortened from {window.by_rules_on} by {window.shortening.by}: "
            f"{window.shortening.reason} "
        )
    return text + _because(window)


def outcomes_json(window: Window) -> list[Json]:
    """What every rule said, with its version, parameters and wording: to be stored."""
    return [_outcome_json(outcome) for outcome in window.outcomes]


def facts_json(facts: Facts) -> Json:
    """The facts a window was computed from: to be stored beside the outcomes."""
    return {
        "treated_on": facts.treated_on.isoformat(),
        "today": facts.today.isoformat(),
        "passes": facts.passes,
        "skin_type": None if facts.skin_type is None else int(facts.skin_type),
        "site": facts.site.value if facts.site else None,
        "area_cm2": facts.area_cm2,
        "smoker": facts.smoker,
        "palpable": facts.palpable,
        "gold_ever": facts.gold_ever,
        "responses": sorted(response.value for response in facts.responses),
        "sun_exposures": [day.isoformat() for day in facts.sun_exposures],
        "observations": [
            {
                "kind": seen.kind.value,
                "observed_on": seen.observed_on.isoformat(),
                "began_on": _iso(seen.began_on),
                "resolved_on": _iso(seen.resolved_on),
                "severity": seen.severity.value if seen.severity else None,
                "key": seen.key,
            }
            for seen in facts.observations
        ],
    }


def shortening_json(shortening: Shortening) -> Json:
    """A shortening as JSON values; `shortening_from_json` reads it back."""
    return {
        "earliest_on": shortening.earliest_on.isoformat(),
        "decided_on": shortening.decided_on.isoformat(),
        "by": shortening.by,
        "reason": shortening.reason,
        "set_aside": {rule_id: day.isoformat() for rule_id, day in shortening.set_aside},
    }


def shortening_from_json(stored: Mapping[str, Any]) -> Shortening:
    """The shortening that `shortening_json` wrote."""
    return Shortening(
        earliest_on=date.fromisoformat(stored["earliest_on"]),
        decided_on=date.fromisoformat(stored["decided_on"]),
        by=stored["by"],
        reason=stored["reason"],
        set_aside=tuple(
            (rule_id, date.fromisoformat(day)) for rule_id, day in stored["set_aside"].items()
        ),
    )


def set_aside_in(outcomes: Iterable[Mapping[str, Any]]) -> tuple[tuple[str, date], ...]:
    """What a clinician who shortened a window knew: rule id and date, one for each rule.

    `outcomes` are the stored ones (`outcomes_json`) of the version that was shown.
    """
    return tuple(
        (outcome["rule"]["id"], date.fromisoformat(outcome["on"]))
        for outcome in outcomes
        if outcome["on"] is not None and outcome["rule"]["effect"] != "advise"
    )


def held_in(
    outcomes: Iterable[Mapping[str, Any]], *, rule_ids: Iterable[str] = ()
) -> frozenset[str]:
    """The observations whose holds a clinician who released a window knew of: their keys.

    `outcomes` are the stored ones of the version that was shown; `rule_ids` empty means all.
    """
    wanted = frozenset(rule_ids)
    return frozenset(
        key
        for outcome in outcomes
        if outcome["hold"] is not None and (not wanted or outcome["rule"]["id"] in wanted)
        for key in outcome["keys"]
    )


def _because(window: Window) -> str:
    texts = dict.fromkeys(
        outcome.rule.explanation
        for outcome in window.bound
        if outcome.rule.effect.value != "advise"
    )
    return " ".join(texts)


def _outcome_json(outcome: Outcome) -> Json:
    rule = outcome.rule
    return {
        "rule": {
            "id": rule.id,
            "version": rule.version,
            "effect": rule.effect.value,
            "kind": rule.kind.value,
            "source": rule.source,
            "explanation": rule.explanation,
            "parameters": {name: _plain(value) for name, value in outcome.parameters},
        },
        "standing": outcome.standing.value,
        "reason": outcome.reason,
        "on": _iso(outcome.on),
        "hold": outcome.hold.value if outcome.hold else None,
        "set_aside": outcome.set_aside,
        "keys": list(outcome.keys),
        "released_by": outcome.released_by,
    }


def _release_json(release: Release) -> Json:
    return {
        "released_on": release.released_on.isoformat(),
        "by": release.by,
        "reason": release.reason,
        "rule_ids": sorted(release.rule_ids),
        "keys": None if release.keys is None else sorted(release.keys),
    }


def _plain(value: Value) -> object:
    return sorted(value) if isinstance(value, frozenset) else value


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
