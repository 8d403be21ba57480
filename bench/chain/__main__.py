"""A big invented chain, streamed with COPY into an empty, migrated database.

Run: python -m bench.chain [--clinics 20] [--patients 100000] [--past 600000] [--future 30000]
Sizes are those of the whole chain; `--past` and `--future` count reservations. Needs
DATABASE_URL with a migrated database that holds no chain. The same seed and day give the same
rows. As a superuser of the database it loads without triggers and foreign keys (the rows are
right by construction, the exclusion constraint is checked all the same) and fills the occupancy
afterwards by the trigger's own function; as anyone else everything is checked, more slowly.
Versions of healing windows are left out: nothing that is measured reads them.
"""

import argparse
import os
import time
from datetime import UTC, date, datetime

import django
import psycopg

FILL = """
    SELECT occupancy_refresh(array_agg(resource_id), array_agg(day)) FROM (
        SELECT DISTINCT resource_id, day
        FROM clinics_reservation, occupancy_days(status, period) AS day
        WHERE resource_id = ANY (%s)
    ) AS touched HAVING count(*) > 0
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clinics", type=int, default=20)
    parser.add_argument("--patients", type=int, help="Without it 5 000 a clinic")
    parser.add_argument("--past", type=int, help="Without it 30 000 a clinic")
    parser.add_argument("--future", type=int, help="Without it 1 500 a clinic")
    parser.add_argument("--weeks", type=int, default=12, help="How far ahead there are visits")
    parser.add_argument("--today", type=date.fromisoformat, help="Without it today")
    parser.add_argument("--seed", type=int, default=4)
    asked = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.test")
    django.setup()

    from django.db import connection

    from clinics.models import Chain

    if Chain.objects.exists():
        raise SystemExit("This database holds a chain already; give an empty, migrated one.")
    connection.ensure_connection()
    options = {**connection.get_connection_params(), "autocommit": True}
    options = {name: value for name, value in options.items() if name in KEPT_OPTIONS}
    with psycopg.connect(**options) as own:
        load(own, asked)


# The database alone links the entries of a laser's ledger, so this one trigger stays on.
LINKED = "ALTER TABLE devices_pulseentry {} devices_pulseentry_linked"
KEPT_OPTIONS = ("dbname", "host", "port", "user", "password", "autocommit")


def load(own: psycopg.Connection, asked: argparse.Namespace) -> None:
    from bench.chain.clinic import invent_clinic
    from bench.chain.copying import Sheets
    from bench.chain.layout import Numbers, Wanted

    began = time.perf_counter()
    today = asked.today or datetime.now(UTC).date()
    bare = without_triggers(own)
    sheets = Sheets(own, written_at=datetime.combine(today, datetime.min.time(), tzinfo=UTC))
    numbers = Numbers()
    chain_id = start_chain(sheets, numbers, seed=asked.seed)
    wanted = Wanted(
        patients=(asked.patients or 5_000 * asked.clinics) // asked.clinics,
        past_rows=(asked.past or 30_000 * asked.clinics) / asked.clinics,
        future_rows=(asked.future or 1_500 * asked.clinics) / asked.clinics,
        future_weeks=asked.weeks,
        today=today,
        seed=asked.seed,
    )
    for number in range(asked.clinics):
        clinic = invent_clinic(sheets, numbers, wanted, chain_id=chain_id, number=number)
        if bare:
            members = (clinic.rooms, clinic.operators, clinic.lasers, clinic.handpieces)
            own.execute(FILL, [[own.resource for kind in members for own in kind]])
        if (number + 1) % max(1, asked.clinics // 20) == 0:
            took = time.perf_counter() - began
            rows = sum(sheets.rows.values())
            print(f"{number + 1}/{asked.clinics} clinics, {rows:,} rows, {took:.0f} s", flush=True)
    sheets.set_sequences()
    if bare:
        own.execute(LINKED.format("ENABLE TRIGGER"))
    own.execute("RESET session_replication_role")
    own.execute("VACUUM (ANALYZE)")
    print(f"loaded and analysed in {time.perf_counter() - began:.0f} s")
    for table, rows in sorted(sheets.rows.items(), key=lambda item: -item[1]):
        print(f"{rows:>12,}  {table}")


def without_triggers(own: psycopg.Connection) -> bool:
    """Switch foreign keys and triggers off for this session; whether that was allowed."""
    try:
        own.execute("SET session_replication_role = replica")
    except psycopg.errors.InsufficientPrivilege:
        print("no superuser: foreign keys and triggers stay on")
        return False
    own.execute(LINKED.format("ENABLE ALWAYS TRIGGER"))
    return True


def start_chain(sheets, numbers, *, seed: int) -> int:
    """The chain, and its laser models with their lines."""
    from bench.chain.layout import LINES
    from clinics.models import Chain
    from devices.models import EmissionLine, LaserModel

    chain_id = numbers.next(Chain)
    sheets.copy(Chain, ("id", "name"), [(chain_id, f"Invented chain {seed}")])
    models, lines = [], []
    for position, wavelengths in enumerate(LINES):
        model = numbers.next(LaserModel)
        numbers.model_ids.append(model)
        models.append((model, chain_id, f"Model {position + 1}"))
        for nm in wavelengths:
            numbers.line_ids[model, nm] = line = numbers.next(EmissionLine)
            lines.append((line, model, nm, 5, 10, (2, 4, 6), 1, 10))
    sheets.copy(LaserModel, ("id", "chain_id", "name"), models)
    limits = ("pulse_min_ns", "pulse_max_ns", "spot_sizes_mm", "max_energy_j", "max_rate_hz")
    sheets.copy(EmissionLine, ("id", "laser_model_id", "wavelength_nm", *limits), lines)
    return chain_id


if __name__ == "__main__":
    main()
