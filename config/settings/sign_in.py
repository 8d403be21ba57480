"""How people and machines come in: sessions with a second factor, tokens, locks after failures."""

from datetime import timedelta
from typing import Any, Final

from config.settings import environment

SIGN_IN_APPS: Final = ("allauth", "allauth.account", "allauth.mfa", "allauth.headless")

# The first encrypts, all of them decrypt: what must be read again but not from a copy of the
# database. Each is 32 random bytes in URL-safe base64 (`openssl rand -base64 32 | tr +/ -_`).
FALLOW_ENCRYPTION_KEYS: list[str] = environment.words("FALLOW_ENCRYPTION_KEYS")
# The first writes the blind index of what is encrypted and must be found, all of them are looked
# for (core/encryption.py). Made as those above, and never one of them.
FALLOW_INDEX_KEYS: list[str] = environment.words("FALLOW_INDEX_KEYS")

AUTH_PASSWORD_VALIDATORS: Final[list[dict[str, Any]]] = [
    {
        "NAME": "django.contrib.auth.password_validation.MinimumLengthValidator",
        "OPTIONS": {"min_length": 12},
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]

# --- Sessions of people: rows, found by a digest of their key. From the sign-in, and unused.
SESSION_ENGINE: Final = "clinics.sessions"
FALLOW_SESSION_LASTS: Final = timedelta(hours=environment.number("FALLOW_SESSION_HOURS", 12))
FALLOW_SESSION_IDLE: Final = timedelta(
    minutes=environment.number("FALLOW_SESSION_IDLE_MINUTES", 120)
)

# --- Tokens: of people for hours, of machines with a name, scopes and an end of their own.
KNOX_TOKEN_MODEL: Final = "clinics.AccessToken"  # noqa: S105 - a name
REST_KNOX: Final[dict[str, Any]] = {
    "SECURE_HASH_ALGORITHM": "hashlib.sha512",
    "TOKEN_TTL": timedelta(hours=environment.number("FALLOW_TOKEN_HOURS", 12)),
    "AUTH_HEADER_PREFIX": "Bearer",
    "TOKEN_PREFIX": "fallow_",
}

# --- After so many attempts that did not succeed, no further one is heard for a time.
FALLOW_SIGN_IN_ATTEMPTS: Final = environment.number("FALLOW_SIGN_IN_ATTEMPTS", 5)
FALLOW_SIGN_IN_LOCK: Final = timedelta(
    minutes=environment.number("FALLOW_SIGN_IN_LOCK_MINUTES", 15)
)

# --- allauth without pages, mail or accounts that people open themselves.
HEADLESS_ONLY: Final = True
HEADLESS_CLIENTS: Final = ("app",)
HEADLESS_ADAPTER: Final = "clinics.api.sign_in.adapters.HeadlessAdapter"
HEADLESS_TOKEN_STRATEGY: Final = "clinics.sessions.TokenStrategy"  # noqa: S105 - a name
ACCOUNT_ADAPTER: Final = "clinics.api.sign_in.adapters.AccountAdapter"
ACCOUNT_LOGIN_METHODS: Final = {"username"}
ACCOUNT_SIGNUP_FIELDS: Final = ["username*", "password1*"]
ACCOUNT_SIGNUP_ENABLED: Final = False
ACCOUNT_EMAIL_VERIFICATION: Final = "none"
ACCOUNT_REAUTHENTICATION_REQUIRED: Final = True
ACCOUNT_REAUTHENTICATION_TIMEOUT: Final = 300
# Attempts are counted by rows (clinics/services/sign_in_attempts.py), and Redis may be away.
ACCOUNT_RATE_LIMITS: Final = False
MFA_ADAPTER: Final = "clinics.api.sign_in.adapters.SecondFactorAdapter"
MFA_RATE_LIMITS: Final = False
MFA_SUPPORTED_TYPES: Final = ["totp", "recovery_codes"]
MFA_RECOVERY_CODES_SHOW_ONCE: Final = True
MFA_TOTP_ISSUER: Final = environment.text("FALLOW_TOTP_ISSUER", "Fallow")
# One step of 30 s early or late, for clocks that drift.
MFA_TOTP_TOLERANCE: Final = 1
