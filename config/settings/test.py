"""The test suite: nothing leaves the process except to the test database."""

from config.settings.base import *  # noqa: F403

DEBUG = False
SECRET_KEY = "test-only-" + "not-a-secret-" * 4
FALLOW_ENCRYPTION_KEYS = ["dGVzdC1vbmx5LW5vdC1hLXNlY3JldC1ub3QtYS1zZWM="]
FALLOW_INDEX_KEYS = ["test-only-index-key-not-a-secret"]
ALLOWED_HOSTS = ["testserver", "127.0.0.1", "localhost"]

CACHES = {"default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}}
CELERY_BROKER_URL = "memory://"
CELERY_BROKER_TRANSPORT_OPTIONS = {}
EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
FALLOW_SENDERS = {"email": "mail", "sms": "outbox"}
FALLOW_OUTBOX_DIR = STATE_DIR / "test-outbox"  # noqa: F405
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = True

# Tests send faster than people; what the quotas do is tested with rates of their own.
REST_FRAMEWORK = {
    **REST_FRAMEWORK,  # noqa: F405
    "DEFAULT_THROTTLE_RATES": dict.fromkeys(
        REST_FRAMEWORK["DEFAULT_THROTTLE_RATES"]  # noqa: F405
    ),
}
