"""The invented clinics and people as tables: where, when open, who works when."""

from dataclasses import dataclass
from datetime import time

from clinics.vocabulary import Role

CHAIN_NAME = "Moonbarrow Skin Studios (invented for demonstration)"
CONSULTING = "Consulting room"

Hours = tuple[time, time]
Week = dict[int, tuple[Hours, ...]]

MONDAY, TUESDAY, WEDNESDAY, THURSDAY, FRIDAY, SATURDAY = range(1, 7)


def _hours(text: str) -> Hours:
    start, end = text.split("-")
    return time.fromisoformat(start), time.fromisoformat(end)


def _week(**days: str) -> Week:
    numbers = {"mon": 1, "tue": 2, "wed": 3, "thu": 4, "fri": 5, "sat": 6}
    return {numbers[day]: tuple(map(_hours, text.split())) for day, text in days.items()}


@dataclass(frozen=True, slots=True)
class RoomSketch:
    """A room; without wavelengths (nm) no laser fires in it."""

    name: str
    cleared_nm: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ClinicSketch:
    """A clinic: where it is, when it opens (local wall time), its rooms, its patients' share.

    `phone` is out of a range kept for drama (from memory); empty where none is known.
    """

    key: str
    name: str
    time_zone: str
    country: str
    subdivision: str
    phone: str
    language: str
    share: float
    week: Week
    rooms: tuple[RoomSketch, ...]


@dataclass(frozen=True, slots=True)
class PersonSketch:
    """A member of staff: roles at a clinic (None: whole chain) and a usual week of work.

    `wavelengths_nm` and `laser_models` narrow the laser credential; `credential_days` is for how
    many days it still holds.
    """

    name: str
    clinic: str | None
    roles: tuple[Role, ...]
    week: Week | None = None
    wavelengths_nm: tuple[int, ...] = ()
    laser_models: tuple[str, ...] = ()
    credential_days: int | None = None
    user_name: str = ""


CLINICS = (
    ClinicSketch(
        key="ostwinkel",
        name="Ostwinkel studio",
        time_zone="Europe/Berlin",
        country="DE",
        subdivision="BE",
        phone="+493023125017",
        language="de",
        share=0.4,
        week=_week(
            mon="09:00-19:00",
            tue="09:00-19:00",
            wed="09:00-19:00",
            thu="09:00-19:00",
            fri="09:00-18:00",
            sat="10:00-16:00",
        ),
        rooms=(
            RoomSketch("Larch", (532, 755, 1064)),
            RoomSketch("Alder", (532, 755, 785, 1064)),
            RoomSketch("Rowan", (694, 755)),
            RoomSketch(CONSULTING),
        ),
    ),
    ClinicSketch(
        key="ribadoce",
        name="Ribadoce studio",
        time_zone="Europe/Lisbon",
        country="PT",
        subdivision="11",
        phone="",
        language="pt",
        share=0.3,
        week=_week(
            mon="10:00-14:00 15:00-20:00",
            tue="10:00-14:00 15:00-20:00",
            wed="10:00-14:00 15:00-20:00",
            thu="10:00-14:00 15:00-20:00",
            fri="10:00-14:00 15:00-19:00",
            sat="10:00-14:00",
        ),
        rooms=(
            RoomSketch("Tide", (532, 1064)),
            RoomSketch("Dune", (532, 755, 1064)),
            RoomSketch(CONSULTING),
        ),
    ),
    ClinicSketch(
        key="millgrove",
        name="Millgrove studio",
        time_zone="America/Toronto",
        country="CA",
        subdivision="ON",
        phone="+14165550142",
        language="en",
        share=0.3,
        week=_week(
            mon="12:00-18:00",
            tue="10:00-19:00",
            wed="10:00-19:00",
            thu="10:00-19:00",
            fri="10:00-19:00",
            sat="09:00-17:00",
        ),
        rooms=(
            RoomSketch("Pine", (532, 785, 1064)),
            RoomSketch("Cedar", (532, 1064)),
            RoomSketch(CONSULTING),
        ),
    ),
)

OPERATOR = (Role.LASER_OPERATOR,)
CLINICIAN = (Role.TREATING_CLINICIAN, Role.LASER_OPERATOR)

PEOPLE = (
    PersonSketch("Orswith Kettlemoor", None, (Role.CHAIN_MANAGER,), user_name="demo-manager"),
    PersonSketch("Pellamy Saltmirror", "ostwinkel", (Role.FRONT_DESK,), user_name="demo-desk"),
    PersonSketch(
        "Hixabel Driftbasket", "ribadoce", (Role.FRONT_DESK,), user_name="demo-desk-ribadoce"
    ),
    PersonSketch(
        "Joskin Yarrowstep", "millgrove", (Role.FRONT_DESK,), user_name="demo-desk-millgrove"
    ),
    PersonSketch(
        "Ithrane Glasspebble",
        "ostwinkel",
        OPERATOR,
        week=_week(tue="09:00-15:00", thu="09:00-14:00"),
        user_name="demo-operator",
    ),
    PersonSketch(
        "Corvith Rushpocket",
        "ostwinkel",
        OPERATOR,
        week=_week(mon="13:00-19:00", sat="10:00-16:00"),
        credential_days=19,
    ),
    PersonSketch(
        "Nexolie Umberthread",
        "ostwinkel",
        OPERATOR,
        week=_week(tue="13:00-19:00", fri="10:00-16:00"),
        wavelengths_nm=(532, 1064),
    ),
    PersonSketch(
        "Wilthorne Larchbutton",
        "ostwinkel",
        CLINICIAN,
        week=_week(wed="10:00-17:00", fri="12:00-18:00"),
        user_name="demo-clinician",
    ),
    PersonSketch(
        "Zevmara Inkwillow",
        "ribadoce",
        OPERATOR,
        week=_week(mon="10:00-16:00", sat="10:00-14:00"),
    ),
    PersonSketch(
        "Lothmere Cloudanvil",
        "ribadoce",
        OPERATOR,
        week=_week(wed="12:00-18:00", thu="15:00-20:00"),
        laser_models=("Anvil Twin",),
    ),
    PersonSketch(
        "Cassowen Waxheron",
        "ribadoce",
        CLINICIAN,
        week=_week(tue="14:00-19:00", fri="10:00-17:00"),
    ),
    PersonSketch(
        "Tamblyre Fernlantern",
        "millgrove",
        OPERATOR,
        week=_week(tue="10:00-16:00", sat="09:00-15:00"),
    ),
    PersonSketch(
        "Gorwyn Elmcomet",
        "millgrove",
        OPERATOR,
        week=_week(thu="12:00-19:00"),
    ),
    PersonSketch(
        "Grellow Pebblewren",
        "millgrove",
        OPERATOR,
        week=_week(wed="13:00-19:00", fri="13:00-19:00"),
        laser_models=("Kestrel Trio", "Anvil Twin"),
    ),
    PersonSketch(
        "Mindrew Zincmeadow",
        "millgrove",
        CLINICIAN,
        week=_week(mon="12:00-18:00", fri="10:00-15:00"),
    ),
    PersonSketch(
        "Bexara Thistlebell", None, (Role.LASER_SAFETY_OFFICER,), user_name="demo-safety-officer"
    ),
    PersonSketch("Booking page", None, (Role.INTEGRATOR,), user_name="demo-integrator"),
)
