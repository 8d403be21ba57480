"""What was changed, noted by PostgreSQL itself, whoever changes it and by whatever statement.

Each table that belongs to a chain has a trigger function made for it, so a new table is watched
from its first migration. What is noted goes into one append-only table
(`FALLOW_CHANGE_MODEL`): which row, before and after of the columns that changed, who, through
which request and why. The functions run with the rights of the tables' owner: the role of the web
processes can read what was noted and can write none of it.

A row counts for the subjects that its foreign keys lead to inside the app of the subject: a grade
for its patient, a fitting for its laser. So a timeline is one look at an index.
"""

# ruff: noqa: SLF001, S608 - the framework documents `_meta` as open; names come from the models

from hashlib import sha256
from typing import Any, Final

from django.apps import apps
from django.conf import settings
from django.db import connection

from core import isolation
from core.isolation import Lead, Model

SUBJECTS: Final = ("patient", "laser", "appointment")
"""Whom a timeline is about; each has a column of its own beside the change."""

SILENT: Final = (
    "version",
    "updated_at",
    "lease_until",
    "last_login",
    "last_used_at",
    "last_used_on",
    "address_sealed",
    "given_name_spelling",
    "family_name_spelling",
)
"""Columns that tell nothing when they change alone."""

HIDDEN: Final = (
    "password",
    "digest",
    "token_digest",
    "token_key",
    "data",
    "address_sealed",
    "address_index",
    "given_name_spelling",
    "family_name_spelling",
)
"""Secrets, addresses of patients, what others repeat: what they were is not noted."""

OF_USER: Final = "(SELECT chain_id FROM clinics_staffmember WHERE user_id = {row}.user_id)"
ALSO: Final = {
    "auth.User": "(SELECT chain_id FROM clinics_staffmember WHERE user_id = {row}.id)",
    "clinics.AccessToken": OF_USER,
    "mfa.Authenticator": OF_USER,
}
"""Tables of no chain that say who may come in, and to whose chain a row counts, as SQL."""


def watched_models() -> dict[Model, str]:
    """Each model whose changes are noted, with the chain of a row as SQL over `{row}`."""
    confined = isolation.confined_models()
    exempt = {apps.get_model(label) for label in settings.FALLOW_HISTORY_EXEMPT}
    found = {model: _chain(model, confined) for model in confined if model not in exempt}
    for label, chain in ALSO.items():
        if label.split(".", maxsplit=1)[0] in apps.app_configs:
            found[apps.get_model(label)] = chain
    return found


def subject_sql(model: Model, subject: str) -> str | None:
    """Which subject a row counts for, as SQL over `{row}`; None where no way leads there."""
    target = apps.get_model(settings.FALLOW_HISTORY_SUBJECTS[subject])
    way = _way(model, target)
    return None if way is None else _along(way)


def subject_lookup(model: Model, subject: str) -> str | None:
    """The same as a lookup of the ORM (`course__patient`); None where no way leads there."""
    target = apps.get_model(settings.FALLOW_HISTORY_SUBJECTS[subject])
    way = _way(model, target)
    return None if way is None else "__".join(field.name for field in way) or "pk"


def watch() -> list[str]:
    """Make the triggers what they should be; gives the tables that it changed.

    Runs after each migration, and leaves alone what is there already.
    """
    chains = watched_models()
    made = isolation._made()
    wanted = {
        f"note_{model._meta.db_table}": model for model in chains if model._meta.db_table in made
    }
    if apps.get_model(settings.FALLOW_CHANGE_MODEL)._meta.db_table not in made:
        return []
    changed = []
    with connection.cursor() as cursor:
        cursor.execute(_THERE)
        there = dict(cursor.fetchall())
        for name in set(there) - set(wanted):
            cursor.execute(f"DROP FUNCTION {name}() CASCADE")
        for name, model in wanted.items():
            sql = _statements(model, name=name, chain=chains[model])
            digest = sha256(sql.encode()).hexdigest()
            if there.get(name) != digest:
                cursor.execute(f"{sql}; COMMENT ON FUNCTION {name}() IS 'history {digest}'")
                changed.append(model._meta.db_table)
    return changed


def _chain(model: Model, confined: dict[Model, Lead | None]) -> str:
    way: list[Lead] = []
    lead = confined[model]
    while lead is not None:
        way.append(lead)
        lead = confined[lead.related_model]
    return _along(way)


def _way(model: Model, target: Model) -> list[Lead] | None:
    """The shortest way of foreign keys, by keys that are never empty if there is one."""
    return _shortest(model, target, nullable=False) or _shortest(model, target, nullable=True)


def _shortest(model: Model, target: Model, *, nullable: bool) -> list[Lead] | None:
    ways: list[tuple[Model, list[Lead]]] = [(model, [])]
    seen = {model}
    for end, way in ways:
        if end is target:
            return way if way or model is target else None
        for field in isolation._foreign_keys(end):
            next_: Model = field.related_model
            inside = next_._meta.app_label == target._meta.app_label
            if next_ not in seen and inside and (nullable or not field.null):
                seen.add(next_)
                ways.append((next_, [*way, field]))
    return None


def _along(way: list[Lead]) -> str:
    """The key at the end of the way, as SQL over `{row}`."""
    if not way:
        return "{row}.id"
    first, *rest = (connection.ops.quote_name(field.column) for field in way)
    if not rest:
        return f"{{row}}.{first}"
    tables = [connection.ops.quote_name(field.related_model._meta.db_table) for field in way[:-1]]
    keys = [connection.ops.quote_name(field.target_field.column) for field in way[:-1]]
    joined = f"{tables[0]} AS t0" + "".join(
        f" JOIN {table} AS t{number} ON t{number}.{key} = t{number - 1}.{column}"
        for number, (table, key, column) in enumerate(
            zip(tables[1:], keys[1:], rest[:-1], strict=True), start=1
        )
    )
    last = f"t{len(tables) - 1}.{rest[-1]}"
    return f"(SELECT {last} FROM {joined} WHERE t0.{keys[0]} = {{row}}.{first})"


def _statements(model: Model, *, name: str, chain: str) -> str:
    table = connection.ops.quote_name(model._meta.db_table)
    changes = apps.get_model(settings.FALLOW_CHANGE_MODEL)._meta.db_table
    subjects = [subject_sql(model, subject) or "NULL::bigint" for subject in SUBJECTS]
    key = "{row}.id" if _has_id(model) else "{row}.user_id"

    def written(row: str, operation: str, before: str, after: str) -> str:
        told = ", ".join(part.replace("{row}", row) for part in (key, *subjects))
        held = f"COALESCE(own_chain, {chain.replace('{row}', row)}, 0)"
        return f"""
            INSERT INTO {changes} (at, transaction, chain_id, record, row_id,
                patient_id, laser_id, appointment_id, operation, before, after,
                staff_id, request_id, reason, database_role)
            SELECT now(), pg_current_xact_id()::text::bigint, {held},
                '{model._meta.model_name}', {told}, '{operation}', {before}, {after},
                NULLIF(current_setting('fallow.staff', true), '')::bigint,
                COALESCE(current_setting('fallow.request', true), ''),
                COALESCE(current_setting('fallow.reason', true), ''),
                acting_role()"""

    hidden = "ARRAY[" + ", ".join(f"'{column}'" for column in HIDDEN) + "]"
    silent = ", ".join(f"'{column}'" for column in SILENT)
    triggers = "; ".join(
        f"DROP TRIGGER IF EXISTS history_{kind} ON {table}; "
        f"CREATE TRIGGER history_{kind} AFTER {kind.upper()} ON {table} {how} "
        f"EXECUTE FUNCTION {name}()"
        for kind, how in _HOW.items()
    )
    return f"""
        CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql
        SECURITY DEFINER SET search_path = public, pg_temp AS $do$
        DECLARE
            own_chain bigint := current_chain();
            was jsonb;
            became jsonb;
        BEGIN
            IF TG_OP = 'INSERT' THEN
                {written("r", "C", "NULL", f"to_jsonb(r) - {hidden}")} FROM arrived AS r;
            ELSIF TG_OP = 'DELETE' THEN
                {written("r", "D", f"to_jsonb(r) - {hidden}", "NULL")} FROM gone AS r;
            ELSE
                SELECT jsonb_object_agg(key, CASE WHEN key = ANY ({hidden})
                           THEN '"hidden"'::jsonb ELSE older.value END),
                       jsonb_object_agg(key, CASE WHEN key = ANY ({hidden})
                           THEN '"hidden"'::jsonb ELSE newer.value END)
                INTO was, became
                FROM jsonb_each(to_jsonb(OLD)) AS older
                JOIN jsonb_each(to_jsonb(NEW)) AS newer USING (key)
                WHERE older.value <> newer.value AND key NOT IN ({silent});
                IF became IS NOT NULL THEN
                    {written("NEW", "U", "was", "became")};
                END IF;
            END IF;
            RETURN NULL;
        END $do$;
        {triggers}"""


def _has_id(model: Any) -> bool:
    return any(field.column == "id" for field in model._meta.local_concrete_fields)


_HOW: Final = {
    "insert": "REFERENCING NEW TABLE AS arrived FOR EACH STATEMENT",
    "update": "FOR EACH ROW",
    "delete": "REFERENCING OLD TABLE AS gone FOR EACH STATEMENT",
}

_THERE: Final = """
    SELECT proname, split_part(obj_description(oid, 'pg_proc'), ' ', 2)
    FROM pg_proc WHERE obj_description(oid, 'pg_proc') LIKE 'history %'
"""
