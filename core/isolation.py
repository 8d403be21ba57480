"""The second wall between chains: what PostgreSQL itself shows to a web request.

The first wall is `visible_to` of every queryset. Should one be forgotten, the database shows the
role of the web processes (`FALLOW_APP_ROLE`, no owner of tables and without BYPASSRLS) only rows
of the chain that the transaction names, and none at all when it names none. Migrations, commands
and workers, which see to all chains, keep the owner's role.

A table belongs to a chain by its own column, or by the first of its foreign keys that leads to a
table which does; a new row may point at rows of the same chain only. Keys, exclusion constraints
and foreign keys count for all chains alike: PostgreSQL checks them without these policies.
"""

# ruff: noqa: SLF001 - the framework documents `_meta` as open to everyone

from hashlib import sha256
from typing import Any, Final

from django.apps import apps
from django.conf import settings
from django.db import connection, models

POLICY: Final = "own_chain"
CHAIN: Final = "(SELECT current_chain())"
CURRENT_CHAIN: Final = """
    CREATE OR REPLACE FUNCTION current_chain() RETURNS bigint LANGUAGE sql STABLE PARALLEL SAFE
    AS $$ SELECT NULLIF(current_setting('fallow.chain', true), '')::bigint $$
"""

Model = type[models.Model]
# A foreign key; its class takes no parameters at run time.
Lead = Any


def chain_model() -> Model:
    """The model of what is kept apart."""
    return apps.get_model(settings.FALLOW_CHAIN_MODEL)


def confined_models() -> dict[Model, Lead | None]:
    """Every model whose rows belong to a chain, with the foreign key that says to which.

    None stands for the chain itself. A model that leads to no chain is not among them.
    """
    found: dict[Model, Lead | None] = {chain_model(): None}
    left = [model for model in apps.get_models(include_auto_created=True) if _has_table(model)]
    while True:
        leads = [(model, _lead(model, found)) for model in left if model not in found]
        new = {model: lead for model, lead in leads if lead is not None}
        if not new:
            return found
        found |= new


def unconfined_models() -> list[Model]:
    """Models that belong to no chain: sign-ins, tokens and the framework's own."""
    confined = confined_models()
    return [
        model
        for model in apps.get_models(include_auto_created=True)
        if _has_table(model) and model not in confined
    ]


def secure() -> list[str]:
    """Make role, grants and policies what they should be; gives the tables that it changed.

    Runs after each migration. A policy that is there already is left alone, so that nothing waits
    for a lock on a table that needs none.
    """
    changed = []
    with connection.cursor() as cursor:
        cursor.execute(_role(settings.FALLOW_APP_ROLE))
        cursor.execute(CURRENT_CHAIN)
        for statement in _grants(settings.FALLOW_APP_ROLE):
            cursor.execute(statement)
        cursor.execute(_POLICIES, [POLICY])
        there = dict(cursor.fetchall())
        made = _made()
        for table, wanted in policies().items():
            if table in made and there.get(table) != wanted.digest:
                cursor.execute(wanted.sql)
                changed.append(table)
    return changed


class Policy:
    """The policy of one table, as statements and as the digest by which it is known again."""

    def __init__(self, table: str, *, sees: str, writes: str) -> None:
        name = connection.ops.quote_name(table)
        definition = f"USING ({sees}) WITH CHECK ({writes})"
        self.digest = sha256(definition.encode()).hexdigest()
        self.sql = "; ".join(
            (
                f"ALTER TABLE {name} ENABLE ROW LEVEL SECURITY",
                f"DROP POLICY IF EXISTS {POLICY} ON {name}",
                f"CREATE POLICY {POLICY} ON {name} {definition}",
                f"COMMENT ON POLICY {POLICY} ON {name} IS '{self.digest}'",
            )
        )


def policies() -> dict[str, Policy]:
    """The policy of each table that belongs to a chain, by the table's name."""
    confined = confined_models()
    return {
        model._meta.db_table: Policy(
            model._meta.db_table,
            sees=_visible(lead),
            writes=" AND ".join([_visible(lead), *_others_visible(model, lead, confined)]),
        )
        for model, lead in confined.items()
    }


def _made() -> set[str]:
    """Tables that are there: an app may be migrated before another."""
    return set(connection.introspection.table_names())


def _has_table(model: Model) -> bool:
    return bool(model._meta.managed and not model._meta.proxy)


def _lead(model: Model, found: dict[Model, Any]) -> Lead | None:
    """The foreign key that leads to a chain: at once if there is one, else the first."""
    leads = [field for field in _foreign_keys(model) if not field.null and _target(field) in found]
    leads.sort(key=lambda field: _target(field) is not chain_model())
    return leads[0] if leads else None


def _foreign_keys(model: Model) -> list[Lead]:
    return [
        field
        for field in model._meta.local_concrete_fields
        if isinstance(field, models.ForeignKey) and field.related_model is not model
    ]


def _target(field: Lead) -> Any:
    return field.related_model


def _visible(lead: Lead | None) -> str:
    """Whether the row belongs to the chain, as SQL."""
    if lead is None:
        return f"id = {CHAIN}"
    column = connection.ops.quote_name(lead.column)
    if _target(lead) is chain_model():
        return f"{column} = {CHAIN}"
    # Not EXISTS, which may be planned as a hash of the whole table that it looks in.
    table = connection.ops.quote_name(lead.model._meta.db_table)
    parent = connection.ops.quote_name(_target(lead)._meta.db_table)
    key = connection.ops.quote_name(lead.target_field.column)
    return f"(SELECT true FROM {parent} AS above WHERE above.{key} = {table}.{column})"  # noqa: S608


def _others_visible(model: Model, lead: Lead | None, confined: dict[Model, Any]) -> list[str]:
    return [
        f"({connection.ops.quote_name(field.column)} IS NULL OR {_visible(field)})"
        for field in _foreign_keys(model)
        if field is not lead and _target(field) in confined
    ]


def _grants(role: str) -> list[str]:
    name = connection.ops.quote_name(role)
    made = _made()
    tables: dict[str, list[str]] = {}
    for model in apps.get_models(include_auto_created=True):
        if _has_table(model) and model._meta.db_table in made:
            # A model whose rows others write says so: `web_may`.
            may = getattr(model, "web_may", "SELECT, INSERT, UPDATE, DELETE")
            tables.setdefault(may, []).append(connection.ops.quote_name(model._meta.db_table))
    return [
        f"GRANT USAGE ON SCHEMA public TO {name}",
        *(f"GRANT {may} ON {', '.join(named)} TO {name}" for may, named in tables.items()),
        f"GRANT SELECT ON django_migrations TO {name}",
        f"GRANT USAGE ON ALL SEQUENCES IN SCHEMA public TO {name}",
    ]


def _role(role: str) -> str:
    # A role belongs to the server: a neighbour may be making it for another database.
    return f"""
        DO $do$
        BEGIN
            IF to_regrole('{role}') IS NULL THEN
                CREATE ROLE {role} NOLOGIN NOSUPERUSER NOBYPASSRLS;
            END IF;
            IF NOT pg_has_role(current_user, '{role}', 'MEMBER') THEN
                GRANT {role} TO CURRENT_USER;
            END IF;
        EXCEPTION WHEN duplicate_object OR unique_violation THEN NULL;
        END $do$
    """


_POLICIES = """
    SELECT relname, obj_description(policy.oid, 'pg_policy')
    FROM pg_policy AS policy JOIN pg_class ON pg_class.oid = polrelid
    WHERE polname = %s AND relrowsecurity
"""
