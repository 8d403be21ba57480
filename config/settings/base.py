"""Settings shared by every place the service runs in."""

from pathlib import Path
from typing import Any

import dj_database_url

from config.settings import environment
from config.settings.browsers import *  # noqa: F403
from config.settings.enums import ENUM_NAMES
from config.settings.examples import EXAMPLE_VALUES
from config.settings.sign_in import *  # noqa: F403
from config.settings.sign_in import SIGN_IN_APPS
from config.settings.ticks import beat_schedule

BASE_DIR = Path(__file__).resolve().parents[2]
STATE_DIR = Path(environment.text("FALLOW_STATE_DIR", str(BASE_DIR / ".local")))

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.messages",
    "django.contrib.postgres",
    "django.contrib.sessions",
    "django.contrib.staticfiles",
    *SIGN_IN_APPS,
    "corsheaders",
    "django_filters",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "knox",
    "rest_framework",
    "core.apps.CoreConfig",
    "clinics.apps.ClinicsConfig",
    "devices.apps.DevicesConfig",
    "courses.apps.CoursesConfig",
]

MIDDLEWARE = [
    "core.api.middleware.RequestIdMiddleware",
    "core.api.middleware.RequestLogMiddleware",
    "core.api.middleware.PrivateAnswersMiddleware",
    "core.api.middleware.CompressionMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "csp.middleware.CSPMiddleware",
    "corsheaders.middleware.CorsMiddleware",
    "core.api.middleware.BodyLengthMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
]

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ],
        },
    },
]

ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

# --- Time and language: instants are UTC everywhere; a clinic's zone is data.
LANGUAGE_CODE = "en"
USE_I18N = False
USE_TZ = True
TIME_ZONE = "UTC"

# --- Database. A command sets its own shorter lock timeout inside its transaction.
DATABASE_URL = environment.text("DATABASE_URL", "postgres://fallow@127.0.0.1:5432/fallow")
DATABASE_OPTIONS: dict[str, Any] = {
    "connect_timeout": "5",
    "options": (
        "-c timezone=UTC -c lock_timeout=10s"
        f" -c statement_timeout={environment.number('FALLOW_STATEMENT_SECONDS', 60)}s"
        " -c idle_in_transaction_session_timeout=60s"
        # What is prepared is prepared to be planned once; it concerns that and functions only.
        " -c plan_cache_mode=force_generic_plan"
    ),
}
_database: dict[str, Any] = dict(
    dj_database_url.parse(DATABASE_URL, conn_max_age=60, conn_health_checks=True)
)
# The web processes take on this role, which sees the rows of one chain at a time: core/isolation.
FALLOW_APP_ROLE = "fallow_app"
FALLOW_CHAIN_MODEL = "clinics.Chain"
# What changes is noted by triggers, and who reads a patient's record by the views: core/history.
FALLOW_CHANGE_MODEL = "clinics.Change"
FALLOW_READ_MODEL = "clinics.RecordRead"
FALLOW_HISTORY_SUBJECTS = {
    "patient": "courses.Patient",
    "laser": "devices.Laser",
    "appointment": "courses.Appointment",
}
FALLOW_HISTORY_EXEMPT = {
    "clinics.Change": "is the history",
    "clinics.RecordRead": "is the history of reads",
    "clinics.Occupancy": "derived from reservations by a trigger; check_occupancy compares them",
    "clinics.Reservation": "written with its appointment, absence or visit, which is watched",
    "clinics.Resource": "the bare key of what can be busy; what it stands for is watched",
    "courses.HealingWindowVersion": "is its own history: each version is a row that only grows",
    "courses.RecallPlan": "derived: when the planner has to look at a course next",
    "courses.ReplanOutage": "a proposal's working data; what it changes when applied is watched",
    "courses.ReplanRow": "a proposal's working data; what it changes when applied is watched",
    "courses.ReplanRun": "a proposal's working data; what it changes when applied is watched",
    "devices.CounterReconciliation": "a run of a comparison: a row that only grows",
    "devices.LedgerHead": "a note about the ledger: a row that only grows",
    "devices.PulseEntry": "is its own history: a ledger with a chain of digests",
}
if environment.text("FALLOW_DATABASE_ROLE"):
    DATABASE_OPTIONS["options"] += f" -c role={environment.text('FALLOW_DATABASE_ROLE')}"
if FALLOW_DATABASE_CONNECTIONS := environment.number("FALLOW_DATABASE_CONNECTIONS", 0):
    # So many for each process at most, shared by its threads: what more asks waits for one.
    _database["CONN_MAX_AGE"] = 0
    DATABASE_OPTIONS["pool"] = {
        "min_size": 1,
        "max_size": FALLOW_DATABASE_CONNECTIONS,
        "timeout": 10,
        "max_lifetime": 1800,
    }
_database["OPTIONS"] = {**DATABASE_OPTIONS, **_database.get("OPTIONS", {})}
DATABASES = {"default": {**_database, "ATOMIC_REQUESTS": False}}

# --- Redis: a broker and a cache. It may be wiped at any moment without losing a record.
REDIS_URL = environment.text("REDIS_URL", "redis://127.0.0.1:6379/0")
CACHES: dict[str, Any] = {
    "default": {
        "BACKEND": "django.core.cache.backends.redis.RedisCache",
        "LOCATION": REDIS_URL,
        "KEY_PREFIX": "fallow",
        "OPTIONS": {"socket_timeout": 2, "socket_connect_timeout": 2},
    },
}

# --- API.
REST_FRAMEWORK: dict[str, Any] = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "clinics.api.authentication.StaffTokenAuthentication",
        "clinics.api.authentication.StaffSessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["core.api.permissions.PolicyPermission"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "DEFAULT_PAGINATION_CLASS": "core.api.pagination.KeysetPagination",
    "DEFAULT_FILTER_BACKENDS": ["core.api.filters.StrictFilterBackend"],
    "DEFAULT_METADATA_CLASS": "core.api.metadata.AllowedMethods",
    "DEFAULT_SCHEMA_CLASS": "core.api.schema.FallowSchema",
    # Per caller. Search and holds are costly, sign-in is worth guessing at: quotas of their own.
    "DEFAULT_THROTTLE_RATES": {
        "default": "1200/min",
        "slot_search": "240/min",
        "booking": "120/min",
        "replan": "60/hour",
        "sign_in": "10/min",
        "calendar": "120/min",
        "reply": "60/min",
    },
    # How many proxies of ours write X-Forwarded-For; without any, what it says is not believed.
    "NUM_PROXIES": environment.number("FALLOW_PROXIES", 0) or None,
    "EXCEPTION_HANDLER": "core.api.problems.exception_handler",
    "TEST_REQUEST_DEFAULT_FORMAT": "json",
    # The form of an answer is asked for by Accept alone.
    "URL_FORMAT_OVERRIDE": None,
    "UNICODE_JSON": True,
    "COERCE_DECIMAL_TO_STRING": False,
}
SPECTACULAR_SETTINGS: dict[str, Any] = {
    "TITLE": "Fallow",
    "DESCRIPTION": (
        "Courses of laser tattoo removal for chains of clinics: assessment, bookings, session "
        "records, healing windows, recalls, devices and capacity. The service plans and records; "
        "it never decides treatment."
    ),
    "VERSION": "1",
    "OAS_VERSION": "3.1.0",
    "SERVE_INCLUDE_SCHEMA": False,
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
    "REDOC_DIST": "SIDECAR",
    "COMPONENT_SPLIT_REQUEST": True,
    "SCHEMA_PATH_PREFIX": r"/api/v1",
    "SORT_OPERATIONS": True,
    "ENUM_NAME_OVERRIDES": ENUM_NAMES,
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "core.api.document.complete",
        "clinics.api.who_may.say_who_may",
    ],
}
# What stands in the examples of the document, by the name of a field.
FALLOW_EXAMPLE_VALUES = EXAMPLE_VALUES

# --- Static files: the service serves what its own pages need.
STATIC_URL = "/static/"
STATIC_ROOT = Path(environment.text("FALLOW_STATIC_DIR", str(STATE_DIR / "static")))

# --- What a chain's policies may say is known to the app that reads them.
FALLOW_POLICY_CHECKS = {
    "healing_policy": "courses.healing.check_policy",
    "search_policy": "courses.slots.policy_of",
    "device_policy": "devices.policy.device_policy_of",
    "retention_policy": "courses.retention.retention_policy_of",
}

# --- Messages to patients: written to a folder unless a mail server is set.
FALLOW_OUTBOX_DIR = Path(environment.text("FALLOW_OUTBOX_DIR", str(STATE_DIR / "run" / "outbox")))
EMAIL_BACKEND = "django.core.mail.backends.filebased.EmailBackend"
EMAIL_FILE_PATH = str(FALLOW_OUTBOX_DIR)
EMAIL_TIMEOUT = 10
# Where patients reach this service: the addresses in messages begin with it.
FALLOW_PUBLIC_URL = environment.text("FALLOW_PUBLIC_URL", "http://127.0.0.1:8000")
# Signs what providers tell of messages; without it they are told that nobody listens.
FALLOW_CALLBACK_SECRET = environment.text("FALLOW_CALLBACK_SECRET")
# What a watcher sends to read the numbers at /api/v1/metrics; without it there is no such page.
FALLOW_METRICS_TOKEN = environment.text("FALLOW_METRICS_TOKEN")
# A message that is due and has not left for so long means that something is wrong.
FALLOW_LATE_SECONDS = environment.number("FALLOW_LATE_SECONDS", 900)
FALLOW_QUEUE_LAG = "courses.selectors.recalls.operation.message_lag_s"
# Which way out each channel takes: courses/channels/configured.py.
FALLOW_SMS_ENDPOINT = environment.text("FALLOW_SMS_ENDPOINT")
FALLOW_SMS_SECRET = environment.text("FALLOW_SMS_SECRET")
FALLOW_SMS_HONOURS_KEYS = environment.flag("FALLOW_SMS_HONOURS_KEYS", default=True)
FALLOW_SENDERS = {"email": "outbox", "sms": "http" if FALLOW_SMS_ENDPOINT else "outbox"}
# A worker that dies leaves its message to others after this time; longer than any sending takes.
FALLOW_MESSAGE_LEASE_SECONDS = environment.number("FALLOW_MESSAGE_LEASE_SECONDS", 120)
# After the first failed attempt; the pauses grow fourfold.
FALLOW_RETRY_SECONDS = environment.number("FALLOW_RETRY_SECONDS", 60)
# A worker that solves a re-plan says every 2 seconds that it lives.
FALLOW_REPLAN_LEASE_SECONDS = environment.number("FALLOW_REPLAN_LEASE_SECONDS", 30)
FALLOW_CREDENTIALS_FILE = Path(
    environment.text("FALLOW_CREDENTIALS_FILE", str(STATE_DIR / "run" / "credentials.json"))
)
DEFAULT_FROM_EMAIL = environment.text("FALLOW_MAIL_FROM", "fallow@localhost")

# --- Task queue: delivered at least once, so that a killed worker's task is done again.
CELERY_BROKER_URL = REDIS_URL
CELERY_BROKER_CONNECTION_TIMEOUT = 3
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_CONNECTION_MAX_RETRIES = None
CELERY_BROKER_TRANSPORT_OPTIONS: dict[str, Any] = {
    # Longer than any task may run: see the hard time limit below.
    "visibility_timeout": 300,
    # Without it a publish to a half-open socket can hang for ever.
    "socket_timeout": 10,
    "socket_connect_timeout": 3,
    "socket_keepalive": True,
    "health_check_interval": 25,
    "global_keyprefix": "fallow:",
}
CELERY_VISIBILITY_TIMEOUT = 300
CELERY_TASK_DEFAULT_QUEUE = "fallow"
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_SOFT_TIME_LIMIT = 90
CELERY_TASK_TIME_LIMIT = 120
# A request never waits for a broker that is down: the beat tick finds the rows.
CELERY_TASK_PUBLISH_RETRY_POLICY = {
    "max_retries": 1,
    "interval_start": 0,
    "interval_step": 0.2,
    "interval_max": 0.2,
}
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_WORKER_SOFT_SHUTDOWN_TIMEOUT = 10
CELERY_TIMEZONE = "UTC"
CELERY_ENABLE_UTC = True
CELERY_BEAT_SCHEDULE = beat_schedule(message_seconds=30, recall_seconds=60)
CELERY_BEAT_SCHEDULE_FILENAME = environment.text(
    "FALLOW_BEAT_STATE", str(STATE_DIR / "run" / "beat-schedule")
)

# --- Log: one JSON object a line, with the id of the request.
LOGGING: dict[str, Any] = {
    "version": 1,
    "disable_existing_loggers": False,
    "filters": {
        "request_id": {"()": "core.request_id.RequestIdFilter"},
        "address": {"()": "config.logs.AddressFilter"},
    },
    "formatters": {"json": {"()": "config.logs.JsonFormatter"}},
    "handlers": {
        "stderr": {
            "class": "logging.StreamHandler",
            "formatter": "json",
            "filters": ["request_id"],
        },
    },
    "root": {"handlers": ["stderr"], "level": environment.text("FALLOW_LOG_LEVEL", "INFO")},
    "loggers": {
        "django": {"handlers": [], "propagate": True},
        "django.server": {"handlers": [], "propagate": True},
        # Refusals have a line of their own (core/api/middleware), without the address.
        "django.request": {"level": "ERROR", "filters": ["address"]},
        "django.security": {"level": "ERROR"},
        # Anybody can ask for another host, as often as they like: no error of ours.
        "django.security.DisallowedHost": {"level": "CRITICAL"},
    },
}
