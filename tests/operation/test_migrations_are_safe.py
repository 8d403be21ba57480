"""A migration runs while processes with the code before it still answer: nothing they use may go.

Judged by django-migration-linter from the SQL of each migration: columns and tables that are
dropped or renamed, columns that old code cannot fill, unique constraints on tables in use.
"""

import pytest
from django.db.migrations.loader import MigrationLoader
from django_migration_linter.migration_linter import MigrationLinter

pytestmark = pytest.mark.django_db

# These made the tables of the first release on an empty database, where nobody was using them.
FIRST_RELEASE = {"clinics": 12, "core": 3, "courses": 22, "devices": 10}
# Safe since django-migration-linter looks at what old code writes, not at how long a lock lasts:
# an index on a big table is to be built CONCURRENTLY (AddIndexConcurrently), which it warns of.
WARNINGS_THAT_REFUSE = ["CREATE_INDEX", "CREATE_INDEX_EXCLUSIVE"]


def linter() -> MigrationLinter:
    return MigrationLinter(
        include_apps=[*FIRST_RELEASE],
        warnings_as_errors_tests=WARNINGS_THAT_REFUSE,
        no_cache=True,
        no_output=False,
    )


def own_migrations() -> dict[tuple[str, int], object]:
    loaded = MigrationLoader(None).disk_migrations
    return {
        (app, int(name.split("_")[0])): migration
        for (app, name), migration in loaded.items()
        if app in FIRST_RELEASE
    }


def test_migrations_since_the_first_release_leave_old_code_what_it_uses(capsys):
    checking = linter()
    later = [
        migration
        for (app, number), migration in sorted(own_migrations().items())
        if number > FIRST_RELEASE[app]
    ]
    for migration in later:
        checking.lint_migration(migration)
    assert not checking.has_errors, capsys.readouterr().out
    assert checking.nb_total == len(later)


def test_one_that_drops_columns_would_be_refused():
    checking = linter()
    checking.lint_migration(own_migrations()["courses", 7])
    assert checking.has_errors
