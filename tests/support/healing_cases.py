"""Facts of one invented treatment, and shorthand for what the skin showed."""

from datetime import date, timedelta

from courses.healing import Facts, Observation
from courses.vocabulary import BodySite, ObservationKind, SkinType

TREATED = date(2026, 1, 5)
DAY_42, DAY_56, DAY_57, DAY_84 = (TREATED + timedelta(days=n) for n in (42, 56, 57, 84))


def on_day(number):
    return TREATED + timedelta(days=number)


def seen(kind, *, day, resolved=None, began=None, key=""):
    return Observation(
        kind=ObservationKind(kind),
        observed_on=on_day(day),
        began_on=None if began is None else on_day(began),
        resolved_on=None if resolved is None else on_day(resolved),
        key=key or f"{kind}-{day}",
    )


def facts(*observations, today=100, **changes):
    plain = {
        "treated_on": TREATED,
        "today": on_day(today),
        "passes": 1,
        "skin_type": SkinType.II,
        "site": BodySite.UPPER_TRUNK,
        "area_cm2": 20.0,
        "smoker": False,
        "palpable": False,
        "gold_ever": False,
        "observations": tuple(observations),
    }
    return Facts(**(plain | changes))
