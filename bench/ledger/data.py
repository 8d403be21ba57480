"""An invented chain with a year of pulses and readings, streamed with COPY; the same for a seed."""

import random
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import psycopg

FIRST_DAY = datetime(2025, 3, 1, tzinfo=UTC)
SETTINGS = ((3.0, 4.0, 5.0), (3.0, 6.0, 10.0), (4.0, 3.0, 10.0), (2.0, 8.0, 5.0))
UNLOGGED_EVERY = 400

ENTRY = (
    "id, laser_id, handpiece_id, line_id, pulses, purpose, operator_id, fired_at, reason, source,"
    " entry_key, created_at, ended_at, spot_mm, fluence_j_cm2, rate_hz, energy_j, total_energy_j,"
    " area_cm2, average_power_w, encoding, sequence, previous, digest"
)
READING = (
    "counter_id, read_at, value, step, first_value, occasion, read_by_id, note, source, reason,"
    " withdrawn, created_at"
)


@dataclass(frozen=True, slots=True)
class Filled:
    """Keys and tokens that the measurements need."""

    chain: int
    lasers: list[int]
    handpieces: dict[int, int]
    line: int
    tokens: list[str]
    entries: int
    readings: int
    unlogged: int


def fill(own: psycopg.Connection, *, lasers: int, days: int, firings: int, seed: int) -> Filled:
    """Devices by the ORM, then entries and readings by COPY, as if the database had linked them."""
    from devices.models import Laser

    chance = random.Random(seed)
    base = invent_devices(lasers)
    heads = {}
    own.execute("SET session_replication_role = replica")
    entries, fired = copy_entries(own, base, heads, days=days, firings=firings, chance=chance)
    readings, unlogged = copy_readings(own, base, fired, days=days, chance=chance)
    own.execute("RESET session_replication_role")
    own.execute(
        "SELECT setval(pg_get_serial_sequence('devices_pulseentry', 'id'), max(id))"
        " FROM devices_pulseentry"
    )
    own.execute("VACUUM (ANALYZE)")
    assert Laser.objects.count() == lasers
    return Filled(
        chain=base["chain"],
        lasers=base["lasers"],
        handpieces=base["handpieces"],
        line=base["line"],
        tokens=base["tokens"],
        entries=entries,
        readings=readings,
        unlogged=unlogged,
    )


def invent_devices(lasers: int) -> dict:
    from clinics.models import AccessToken
    from clinics.vocabulary import Role
    from devices.models import Counter
    from tests.support.devices import make_fitted_handpiece, make_laser, make_laser_model
    from tests.support.factories import make_chain, make_clinic, make_membership, make_staff

    chain = make_chain(name="Invented chain")
    clinics = [make_clinic(chain) for _ in range(20)]
    model = make_laser_model(chain, lines_nm=(1064,))
    model.lines.update(max_energy_j=2.0)
    people = [make_staff(chain, user=True) for _ in range(48)]
    for one in people:
        make_membership(one, Role.LASER_SAFETY_OFFICER)
    made = [make_laser(clinics[n % 20], laser_model=model) for n in range(lasers)]
    tips = {one.pk: make_fitted_handpiece(one, spot_sizes_mm=[2.0, 3.0, 4.0]) for one in made}
    counters = Counter.objects.bulk_create(
        Counter(
            chain=chain,
            kind=kind,
            laser=None if kind == "handpiece" else one,
            handpiece=tips[one.pk] if kind == "handpiece" else None,
        )
        for one in made
        for kind in ("laser", "lamp", "handpiece")
    )
    return {
        "chain": chain.pk,
        "lasers": [one.pk for one in made],
        "handpieces": {laser: tip.pk for laser, tip in tips.items()},
        "line": model.lines.get().pk,
        "people": [one.pk for one in people],
        "tokens": [AccessToken.objects.create(one.user)[1] for one in people],
        "counters": [
            [counters[3 * place + kind].pk for kind in range(3)] for place in range(len(made))
        ],
    }


def copy_entries(own, base, heads, *, days, firings, chance):
    """Every laser fires so many times a day; each digest as `devices.hashchain` computes it."""
    from devices.hashchain import FIRST, VERSION, Link, digest
    from devices.metrology import FiringSetting, delivered

    settings = [FiringSetting(*one) for one in SETTINGS]
    fired = {laser: [] for laser in base["lasers"]}
    number = 0
    with own.cursor() as cursor, cursor.copy(f"COPY devices_pulseentry ({ENTRY}) FROM STDIN") as to:
        for day in range(days):
            opens = FIRST_DAY + timedelta(days=day, hours=8)
            for place, laser in enumerate(base["lasers"]):
                total = 0
                times = sorted(chance.sample(range(40_000), firings))
                for second in times:
                    number += 1
                    pulses = chance.randint(50, 900)
                    total += pulses
                    setting = chance.choice(settings)
                    gave = delivered(pulses, setting=setting)
                    at = opens + timedelta(seconds=second)
                    ended = at + timedelta(seconds=pulses / setting.rate_hz + 5)
                    sequence, previous = heads.get(laser, (0, FIRST))
                    link = Link(
                        VERSION,
                        previous,
                        number,
                        laser,
                        sequence + 1,
                        base["handpieces"][laser],
                        base["line"],
                        pulses,
                        "treatment",
                        base["people"][place % len(base["people"])],
                        at,
                        ended,
                        setting.spot_mm,
                        setting.fluence_j_cm2,
                        setting.rate_hz,
                        gave.energy_j,
                        gave.total_energy_j,
                        gave.area_cm2,
                        gave.average_power_w,
                        None,
                        "",
                        f"session:{number}",
                        f"session:{number}:1",
                        ended,
                        b"",
                    )
                    own_digest = digest(link)
                    heads[laser] = (sequence + 1, own_digest)
                    to.write(line_of(link, own_digest))
                fired[laser].append(total)
    return number, fired


def line_of(link, own_digest) -> str:
    """One row in the text format of COPY, in the order of ENTRY."""
    values = (
        link.id,
        link.laser,
        link.handpiece,
        link.line,
        link.pulses,
        link.purpose,
        link.operator,
        link.fired_at.isoformat(),
        "",
        link.source,
        link.entry_key,
        link.created_at.isoformat(),
        link.ended_at.isoformat(),
        repr(link.spot_mm),
        repr(link.fluence_j_cm2),
        repr(link.rate_hz),
        repr(link.energy_j),
        repr(link.total_energy_j),
        repr(link.area_cm2),
        repr(link.average_power_w),
        link.encoding,
        link.sequence,
        "\\\\x" + link.previous.hex(),
        "\\\\x" + own_digest.hex(),
    )
    return "\t".join(map(str, values)) + "\n"


def copy_readings(own, base, fired, *, days, chance):
    """Three counters a laser, read every morning; now and then a few pulses were not logged."""
    rows = unlogged = 0
    with (
        own.cursor() as cursor,
        cursor.copy(f"COPY devices_counterreading ({READING}) FROM STDIN") as to,
    ):
        for place, laser in enumerate(base["lasers"]):
            for counter in base["counters"][place]:
                shown = chance.randint(0, 10**7)
                for day in range(days + 1):
                    at = (FIRST_DAY + timedelta(days=day, hours=7)).isoformat()
                    to.write(
                        f"{counter}\t{at}\t{shown}\tcounted\t0\tdaily\t"
                        f"{base['people'][0]}\t\t\t\tf\t{at}\n"
                    )
                    rows += 1
                    if day < days:
                        shown += fired[laser][day]
                        if chance.randrange(UNLOGGED_EVERY) == 0:
                            shown += chance.randint(1, 40)
                            unlogged += 1
    return rows, unlogged
