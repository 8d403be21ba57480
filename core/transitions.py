"""Which status may follow which: one table for the services and for the database.

The services ask the table first and give a readable refusal; a trigger made from the same pairs
has the last word, also for raw SQL.
"""

from collections.abc import Mapping
from typing import Final

Transitions = Mapping[str, tuple[str, ...]]

TRANSITION_FUNCTION_SQL: Final = """
CREATE FUNCTION refuse_status_step() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.status IS DISTINCT FROM NEW.status
       AND NOT (OLD.status || '>' || NEW.status) = ANY (TG_ARGV) THEN
        RAISE EXCEPTION 'a % row cannot go from % to %', TG_TABLE_NAME, OLD.status, NEW.status
            USING ERRCODE = 'check_violation', CONSTRAINT = TG_NAME, TABLE = TG_TABLE_NAME;
    END IF;
    RETURN NEW;
END $$;
"""


def allows(transitions: Transitions, *, old: str, new: str) -> bool:
    """Whether a row may go from `old` to `new`; staying is no step."""
    return new in transitions.get(old, ())


def pairs(transitions: Transitions) -> list[str]:
    """The allowed steps as `old>new`, sorted: what the trigger carries."""
    return sorted(f"{old!s}>{new!s}" for old, news in transitions.items() for new in news)


def trigger_sql(*, table: str, steps: list[str]) -> str:
    """SQL that makes the database refuse every status step of `table` but the given ones."""
    arguments = ", ".join(f"'{step}'" for step in steps)
    return (
        f"CREATE TRIGGER {table}_status_step BEFORE UPDATE OF status ON {table} "
        f"FOR EACH ROW EXECUTE FUNCTION refuse_status_step({arguments});"
    )


def drop_trigger_sql(*, table: str) -> str:
    """SQL that takes the trigger of `trigger_sql` away."""
    return f"DROP TRIGGER {table}_status_step ON {table};"
