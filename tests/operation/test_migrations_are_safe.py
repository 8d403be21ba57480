"""A migration runs while processes with the code before it still answer: nothing they use may go.

Judged by django-migration-linter from the SQL of each migration: columns and tables that are
dropped or renamed, columns that old code cannot fill, unique constraints on tables in use.
"""

import pytest
from django.db.migrations.loader import MigrationLoader
from django_migration_linter.migration_linter import MigrationLinter

pytestmark = pytest.mark.django_db

# These made the tables of the first release on an empty database, where nobody was using them.
FIRST_RELEASE = {"clinics": 7, "core": 1, "courses": 21, "devices": 11}
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


# Outside of a transaction, as what builds an index concurrently must be.
@pytest.mark.django_db(transaction=True)
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


@pytest.mark.parametrize(
    "statement",
    [
        'ALTER TABLE "courses_patient" DROP COLUMN "language"',
        'ALTER TABLE "courses_patient" RENAME COLUMN "language" TO "tongue"',
        'ALTER TABLE "courses_patient" ADD COLUMN "title" varchar(9) NOT NULL',
        'CREATE INDEX "patient_language" ON "courses_patient" ("language")',
    ],
)
def test_one_that_takes_something_away_would_be_refused(monkeypatch, statement):
    checking = linter()
    monkeypatch.setattr(checking, "get_sql", lambda *_: [statement])
    checking.lint_migration(own_migrations()["courses", 1])
    assert checking.has_errors


def test_a_column_that_old_code_need_not_fill_would_not(monkeypatch, capsys):
    checking = linter()
    added = 'ALTER TABLE "courses_patient" ADD COLUMN "title" varchar(9) DEFAULT \'\' NOT NULL'
    monkeypatch.setattr(checking, "get_sql", lambda *_: [added])
    checking.lint_migration(own_migrations()["courses", 1])
    assert not checking.has_errors, capsys.readouterr().out
