"""Production: secrets and addresses come from the environment, or the service does not start."""

from pathlib import Path

from config.settings import environment
from config.settings.base import *  # noqa: F403

DEBUG = False
SECRET_KEY = environment.required("FALLOW_SECRET_KEY")
environment.required("FALLOW_ENCRYPTION_KEYS")
environment.required("FALLOW_INDEX_KEYS")
ALLOWED_HOSTS = environment.words("FALLOW_ALLOWED_HOSTS")
CSRF_TRUSTED_ORIGINS = environment.words("FALLOW_TRUSTED_ORIGINS")
environment.required("DATABASE_URL")
environment.required("REDIS_URL")
environment.required("FALLOW_PUBLIC_URL")

# TLS ends at a proxy in front of the web processes, which says so in this header, and in another
# who asks: without it all callers would share the quotas of the proxy.
REST_FRAMEWORK = {
    **REST_FRAMEWORK,  # noqa: F405
    "NUM_PROXIES": environment.number("FALLOW_PROXIES", 1) or None,
}
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
SECURE_SSL_REDIRECT = environment.flag("FALLOW_TLS_REDIRECT", default=True)
SECURE_REDIRECT_EXEMPT = [r"^api/v1/health(/|$)"]
SECURE_HSTS_SECONDS = environment.number("FALLOW_HSTS_SECONDS", 31_536_000)
SECURE_HSTS_INCLUDE_SUBDOMAINS = True
SECURE_HSTS_PRELOAD = True
SECURE_REFERRER_POLICY = "same-origin"
SESSION_COOKIE_SECURE = True
SESSION_COOKIE_HTTPONLY = True
CSRF_COOKIE_SECURE = True
X_FRAME_OPTIONS = "DENY"

STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"},
}

if environment.text("FALLOW_MAIL_HOST"):
    EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    EMAIL_HOST = environment.required("FALLOW_MAIL_HOST")
    EMAIL_PORT = environment.number("FALLOW_MAIL_PORT", 587)
    EMAIL_HOST_USER = environment.text("FALLOW_MAIL_USER")
    EMAIL_HOST_PASSWORD = environment.text("FALLOW_MAIL_PASSWORD")
    EMAIL_USE_TLS = environment.flag("FALLOW_MAIL_TLS", default=True)
    DEFAULT_FROM_EMAIL = environment.required("FALLOW_MAIL_FROM")
    # A channel without a provider is not used at all: nobody would read a file in its place.
    FALLOW_SENDERS = {"email": "mail"}
    if FALLOW_SMS_ENDPOINT:  # noqa: F405
        environment.required("FALLOW_SMS_SECRET")
        FALLOW_SENDERS["sms"] = "http"
else:
    # A folder named on purpose: a default inside a container would lose the messages.
    FALLOW_OUTBOX_DIR = Path(environment.required("FALLOW_OUTBOX_DIR"))
    EMAIL_FILE_PATH = str(FALLOW_OUTBOX_DIR)
