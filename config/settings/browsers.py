"""What browsers are told: which pages may call this service, and what its own pages may do."""

from typing import Any, Final

from corsheaders.defaults import default_headers

from config.settings import environment

# Pages of these origins only ("https://desk.example"), with tokens, never with cookies.
CORS_ALLOWED_ORIGINS: Final = environment.words("FALLOW_ORIGINS")
CORS_URLS_REGEX: Final = r"^/api/"
CORS_ALLOW_CREDENTIALS: Final = False
CORS_ALLOW_HEADERS: Final = (
    *default_headers,
    "idempotency-key",
    "if-match",
    "if-none-match",
    "x-reason",
    "x-request-id",
    "x-session-token",
)
# What a page may read of an answer besides its body.
CORS_EXPOSE_HEADERS: Final = (
    "Allow",
    "Content-Disposition",
    "ETag",
    "Idempotency-Replayed",
    "Link",
    "Location",
    "RateLimit",
    "RateLimit-Policy",
    "Retry-After",
    "WWW-Authenticate",
    "X-Request-ID",
)

# Answers are data: nothing in them is run, loaded or framed. The page for reading says otherwise
# for itself (core/api/docs.py).
CONTENT_SECURITY_POLICY: Final[dict[str, Any]] = {
    "DIRECTIVES": {
        "default-src": ["'none'"],
        "base-uri": ["'none'"],
        "form-action": ["'none'"],
        "frame-ancestors": ["'none'"],
    }
}
