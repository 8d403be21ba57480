"""Loading the demonstration: made up first, then written in one transaction."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime

from django.db import connection

from clinics.models import Chain
from core.db import command
from courses.demo.backdating import backdate
from courses.demo.base_records import write_organisation, write_patients
from courses.demo.counter_records import write_counters
from courses.demo.duty_records import write_duties
from courses.demo.inserting import insert
from courses.demo.moment import DEFAULT_SEED, Moment
from courses.demo.plan_of_clinics import CHAIN_NAME
from courses.demo.recall_records import Watched, watched_in, write_recalls
from courses.demo.scenario import Scenario, make_scenario
from courses.demo.signins import give_users
from courses.demo.upkeep import make_upkeep
from courses.demo.visit_records import write_appointments, write_passes, write_sessions
from courses.demo.window_records import write_windows
from courses.vocabulary import AppointmentStatus

PATIENTS = 300
Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Order:
    """What to make up. `today` None: the day that it is."""

    patients: int = PATIENTS
    seed: int = DEFAULT_SEED
    today: date | None = None

    def moment(self, now: datetime) -> Moment:
        """The day around which it is made up."""
        return Moment(self.today, self.seed) if self.today else Moment.at(now, seed=self.seed)


def is_loaded() -> bool:
    """Whether the demonstration is there already."""
    return Chain.objects.filter(name=CHAIN_NAME).exists()


def load(order: Order, *, now: datetime, tell: Tell) -> dict[str, int] | None:
    """Make the demonstration up and write it, all or nothing; None when it is there already.

    Gives how many of what there are then. `now` matters only for the day, and for the messages
    that are to leave within minutes of the loading.
    """
    if is_loaded():
        return None
    moment = order.moment(now)
    scenario = make_scenario(
        moment, patients=order.patients, tell=lambda what: tell(f"Making up {what}")
    )
    # Another day than the present one has no visitor who watches: its own morning counts.
    loaded_at = now if Moment.at(now).today == moment.today else moment.now
    write(scenario, watched=watched_in(scenario, loaded_at=loaded_at), tell=tell)
    return _counts(scenario)


def refresh_statistics() -> None:
    """Let the database look at the new rows, so that the first searches are planned well.

    At the tables of the service only: the catalogue of the server is shared with its neighbours.
    """
    with connection.cursor() as cursor:
        names = connection.introspection.django_table_names(only_existing=True)
        tables = ", ".join(connection.ops.quote_name(name) for name in sorted(names))
        cursor.execute(f"ANALYZE {tables}")


@command
def write(scenario: Scenario, *, watched: Watched, tell: Tell) -> None:
    """Write everything in one transaction."""
    tell("Writing clinics, people and lasers")
    give_users(scenario.organisation.people)
    write_organisation(scenario.organisation, scenario.devices)
    insert(scenario.eyewear.rows)
    make_upkeep(scenario.organisation, scenario.devices, scenario.moment).write()
    tell("Writing patients, tattoos and courses")
    write_patients(scenario.cases())
    tell("Writing appointments and reservations")
    appointments = write_appointments(scenario)
    tell("Checking and writing sessions and pulses")
    sessions, keys = write_sessions(scenario, appointments)
    write_passes(scenario, sessions)
    write_counters(scenario)
    write_duties(scenario)
    tell("Writing healing windows and recalls")
    windows = write_windows(scenario, sessions, keys, left_open=watched.left_open)
    write_recalls(
        scenario,
        appointments=appointments,
        sessions=sessions,
        windows=windows,
        watched=watched,
    )
    backdate(scenario.organisation.chain, scenario.moment)


def _counts(scenario: Scenario) -> dict[str, int]:
    bookings = scenario.bookings
    return {
        "clinics": len(scenario.organisation.sites),
        "people": len(scenario.organisation.people),
        "lasers": len(scenario.devices.lasers),
        "patients": len(scenario.walks),
        "sessions": sum(len(walk.done) for walk in scenario.walks),
        "visits ahead": sum(one.status == AppointmentStatus.BOOKED for one in bookings),
    }
