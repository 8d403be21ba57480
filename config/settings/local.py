"""A developer's or visitor's own machine: no secrets, short ticks, files instead of mail."""

from config.settings import environment
from config.settings.base import *  # noqa: F403
from config.settings.base import LOGGING
from config.settings.ticks import beat_schedule

DEBUG = environment.flag("FALLOW_DEBUG", default=False)
SECRET_KEY = environment.text("FALLOW_SECRET_KEY", "local-only-" + "not-a-secret-" * 4)
FALLOW_ENCRYPTION_KEYS = environment.words(
    "FALLOW_ENCRYPTION_KEYS", "bG9jYWwtb25seS1ub3QtYS1zZWNyZXQtbm90LWEtc2U="
)
FALLOW_INDEX_KEYS = environment.words("FALLOW_INDEX_KEYS", "local-only-not-a-secret")
ALLOWED_HOSTS = ["127.0.0.1", "localhost", "[::1]"]

CELERY_BEAT_SCHEDULE = beat_schedule(message_seconds=15, recall_seconds=60)

WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = True

# Read by a person in a terminal.
LOGGING["formatters"]["json"] = {
    "format": "%(levelname)s %(name)s %(request_id)s %(message)s",
}
# A tick is news only when it did something, which the service itself says.
for _name in ("celery.app.trace", "celery.beat", "celery.worker.strategy"):
    LOGGING["loggers"][_name] = {"level": "WARNING"}
