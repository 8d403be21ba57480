"""The registry of healing rules: what each asks for, why, and from where.

The window takes the latest date of all rules, never a sum. To change a rule, raise its version:
stored windows keep the outcome they were given.
"""

from collections.abc import Mapping

from courses.healing import checks
from courses.healing.policy import Given, Parameter, Policy, Stricter, Value
from courses.healing.rules import Effect, Rule
from courses.science.basis import Kind
from courses.science.errors import InvalidInput
from courses.vocabulary import BodySite, ObservationKind

REGISTRY_VERSION = "1"


def _days(default: int) -> Parameter:
    return Parameter("days", default, "days", Stricter.HIGHER)


_OPINION = "expert opinion, no trial compares intervals"
_SITES = frozenset({BodySite.HAND, BodySite.FOOT, BodySite.LOWER_LEG, BodySite.THIGH})
_HOUSE = "house proposal, needs clinical sign-off"
_BENCINI = "Bencini et al. 2012, Arch Dermatol 148(12):1364-1369"

RULES: tuple[Rule, ...] = (
    Rule(
        id="healing.base",
        version="1",
        effect=Effect.EARLIEST,
        kind=Kind.COMMON_PRACTICE,
        source="usual interval of 6 to 8 weeks and more",
        explanation="The skin is left to heal for at least six weeks after any treatment.",
        parameters=(_days(42),),
        check=checks.always,
    ),
    Rule(
        id="healing.advised",
        version="1",
        effect=Effect.ADVISE,
        kind=Kind.PUBLISHED,
        source=_BENCINI,
        explanation="Intervals of 8 weeks or less went with fewer removals; day 56 is still on "
        "the worse side, so day 57 is advised and not forced.",
        parameters=(_days(57),),
        check=checks.always,
    ),
    Rule(
        id="healing.several-passes",
        version="1",
        effect=Effect.EARLIEST,
        kind=Kind.COMMON_PRACTICE,
        source=f"{_OPINION}; Kossida 2012 saw more epidermal injury after four passes",
        explanation="Several passes in one session injure the skin more than one.",
        parameters=(
            _days(56),
            Parameter("passes", 2, "passes", Stricter.LOWER, limit=1),
        ),
        check=checks.several_passes,
    ),
    Rule(
        id="healing.skin-type",
        version="1",
        effect=Effect.EARLIEST,
        kind=Kind.COMMON_PRACTICE,
        source=f"{_OPINION}; 8 to 12 weeks advised for skin types IV to VI, from memory",
        explanation="Darker skin needs longer to show and settle changes of pigment.",
        parameters=(
            _days(56),
            Parameter("from_skin_type", 4, "skin type", Stricter.LOWER, limit=1),
        ),
        check=checks.darker_skin,
    ),
    Rule(
        id="healing.limb",
        version="1",
        effect=Effect.EARLIEST,
        kind=Kind.COMMON_PRACTICE,
        source=f"{_OPINION}; {_BENCINI} found a worse response on legs and feet, not an interval",
        explanation="Leg, foot and hand drain more slowly. The thigh is read as leg (the "
        "cautious reading).",
        parameters=(
            _days(56),
            Parameter("sites", _SITES, "body sites", Stricter.WIDER, known=frozenset(BodySite)),
        ),
        check=checks.limb,
    ),
    Rule(
        id="healing.large-area",
        version="1",
        effect=Effect.EARLIEST,
        kind=Kind.COMMON_PRACTICE,
        source=f"{_OPINION}; {_BENCINI} found a worse response above 30 cm2, not an interval",
        explanation="More than 30 cm2 treated at once is a larger burden to clear.",
        parameters=(
            _days(56),
            Parameter("over_cm2", 30.0, "cm2", Stricter.LOWER, limit=0.0),
        ),
        check=checks.large_area,
    ),
    Rule(
        id="healing.smoker",
        version="1",
        effect=Effect.EARLIEST,
        kind=Kind.COMMON_PRACTICE,
        source=f"{_OPINION}; {_BENCINI} found a worse response in smokers, not an interval",
        explanation="Smoking slows healing and the clearing of ink.",
        parameters=(_days(56),),
        check=checks.smoker,
    ),
    Rule(
        id="healing.blister-with-erosion",
        version="1",
        effect=Effect.EARLIEST,
        kind=Kind.PROPOSAL,
        source=_HOUSE,
        explanation="A blister with an eroded surface raises the risk of lasting pigment loss.",
        parameters=(_days(84),),
        check=checks.blister_with_erosion,
    ),
    Rule(
        id="healing.hyperpigmentation",
        version="1",
        effect=Effect.EARLIEST,
        kind=Kind.PROPOSAL,
        source=f"{_HOUSE}; onset after 2 to 6 weeks, from memory",
        explanation="Darkened skin takes up the light meant for the ink; it is given time.",
        parameters=(_days(84),),
        check=checks.hyperpigmentation,
    ),
    Rule(
        id="healing.slow-healing",
        version="1",
        effect=Effect.EARLIEST,
        kind=Kind.PROPOSAL,
        source=f"{_HOUSE}; crusts on the body usually last 1 to 2 weeks, from memory",
        explanation="A crust or erosion after 14 days shows that this skin heals slowly.",
        parameters=(
            _days(84),
            Parameter("after_days", 14, "days", Stricter.LOWER, limit=0),
        ),
        check=checks.slow_healing,
    ),
    Rule(
        id="healing.after-healed",
        version="1",
        effect=Effect.EARLIEST,
        kind=Kind.PROPOSAL,
        source=_HOUSE,
        explanation="Four weeks are left after an erosion, blister, crust or swelling has healed; "
        "while it has not, no date can be said.",
        parameters=(_days(28),),
        check=checks.healed,
    ),
    Rule(
        id="healing.sun",
        version="1",
        effect=Effect.EARLIEST,
        kind=Kind.COMMON_PRACTICE,
        source="wait of 2 to 6, mostly 4 weeks, from memory",
        explanation="Tanned or burnt skin takes up more light; four weeks are left after the sun.",
        parameters=(_days(28),),
        check=checks.sun,
    ),
    Rule(
        id="healing.still-raised",
        version="1",
        effect=Effect.HOLD,
        kind=Kind.COMMON_PRACTICE,
        source="raised skin settles within about a week, in some people after about six weeks",
        explanation="Skin still raised after six weeks is not treated until it is seen flat.",
        parameters=(Parameter("review_day", 42, "days", Stricter.LOWER, limit=7),),
        check=checks.still_raised,
    ),
    *(
        Rule(
            id=f"healing.{name}",
            version="1",
            effect=Effect.HOLD,
            kind=Kind.PROPOSAL,
            source=_HOUSE,
            explanation=explanation,
            parameters=(),
            check=checks.hold_for(kind),
        )
        for name, kind, explanation in (
            (
                "infection",
                ObservationKind.INFECTION_SIGN,
                "A sign of infection is seen by a clinician before anything else happens.",
            ),
            (
                "scar",
                ObservationKind.SCAR,
                "A scar is assessed before more energy is put into the skin.",
            ),
            (
                "allergy",
                ObservationKind.ALLERGY,
                "An allergy to the ink can spread when the ink is broken up again.",
            ),
            (
                "darkening",
                ObservationKind.DARKENING,
                "Ink that has darkened is another ink from then on.",
            ),
            (
                "pigment-loss",
                ObservationKind.PIGMENT_LOSS,
                "Lost pigment may not come back; a clinician weighs it.",
            ),
            (
                "torn-epidermis",
                ObservationKind.TORN_EPIDERMIS,
                "A torn epidermis is not an expected response; settings are reviewed first.",
            ),
        )
    ),
    Rule(
        id="healing.gold",
        version="1",
        effect=Effect.NEVER,
        kind=Kind.PUBLISHED,
        source="Cohen & Ross 2015 (PMC4587895): chrysiasis up to 26 years after gold medication",
        explanation="After gold medication short laser pulses can stain the skin for good.",
        parameters=(),
        check=checks.gold,
    ),
)

REGISTRY: Mapping[str, Rule] = {rule.id: rule for rule in RULES}


def policy_of(overrides: Mapping[str, Mapping[str, Given]], *, version: str) -> Policy:
    """A chain's policy from plain values (`{"healing.base": {"days": 49}}`).

    Raises InvalidInput for an unknown rule or parameter, and for every value that would shorten
    a window (`policy-shortens`).
    """
    checked: dict[str, Mapping[str, Value]] = {}
    for rule_id, values in overrides.items():
        rule = REGISTRY.get(rule_id)
        if rule is None:
            raise InvalidInput(
                field=rule_id, rule="policy-rule-unknown", message=f"There is no rule {rule_id}."
            )
        known = {parameter.name: parameter for parameter in rule.parameters}
        for name in values:
            if name not in known:
                raise InvalidInput(
                    field=f"{rule_id}.{name}",
                    rule="policy-parameter-unknown",
                    message=f"{rule_id} has no parameter {name}.",
                )
        checked[rule_id] = {
            name: known[name].changed_to(given, where=f"{rule_id}.{name}")
            for name, given in values.items()
        }
    return Policy(version=version, overrides=checked)


def check_policy(overrides: Mapping[str, Mapping[str, Given]]) -> None:
    """Raise InvalidInput unless the values could be a chain's policy; see `policy_of`."""
    policy_of(overrides, version="unsaved")
