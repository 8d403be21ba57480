"""Patients who are due, made in the database of the service under test."""

from tests.support.web_arena import manage

BUILD = "from tests.support.recall_arena_builder import main; main()"


def make_due(number: int, *, environment: dict[str, str]) -> None:
    """So many patients whose windows should have closed days ago, whatever the hour is now.

    Two of three are told by text message, the others by e-mail. The database of that environment
    is brought up to date first.
    """
    manage("migrate", "--no-input", "-v0", environment=environment)
    manage("shell", "-v0", "-c", BUILD, environment=environment, order=str(number))
