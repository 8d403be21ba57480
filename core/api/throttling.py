"""Quotas for each caller, told in every answer.

Headers follow draft-ietf-httpapi-ratelimit-headers-10: `RateLimit-Policy: "default";q=600;w=60`
and `RateLimit: "default";r=599;t=42` (r: requests left, t: seconds until the window ends).
"""

import logging
import time
from dataclasses import dataclass
from typing import Final

from django.core.cache import cache
from django.http import HttpRequest, HttpResponse
from redis.exceptions import RedisError
from rest_framework.request import Request
from rest_framework.settings import api_settings
from rest_framework.throttling import BaseThrottle
from rest_framework.views import APIView

logger = logging.getLogger(__name__)

DEFAULT_SCOPE: Final = "default"
SECONDS: Final = {"s": 1, "m": 60, "h": 3600, "d": 86400}


@dataclass(frozen=True, slots=True)
class Quota:
    """What is left of one caller's quota in the current window."""

    scope: str
    limit: int
    window_s: int
    used: int
    ends_in_s: int

    def headers(self) -> dict[str, str]:
        """The two RateLimit headers."""
        left = max(0, self.limit - self.used)
        return {
            "RateLimit-Policy": f'"{self.scope}";q={self.limit};w={self.window_s}',
            "RateLimit": f'"{self.scope}";r={left};t={self.ends_in_s}',
        }


class QuotaThrottle(BaseThrottle):
    """Counts requests of a caller in fixed windows, under the view's `throttle_scope`.

    Rates stand in the setting DEFAULT_THROTTLE_RATES ("60/min"); a scope without a rate is not
    limited. When the cache cannot be reached, requests pass uncounted. A view that knows who asks
    otherwise than by credential or address says so in `counted_as()`. Whoever has no valid
    credential counts by address.
    """

    quota: Quota | None = None

    def allow_request(self, request: Request, view: APIView) -> bool:
        scope = scope_of(view)
        rate = _rate(scope)
        if rate is None:
            return True
        limit, window_s = rate
        window, elapsed = divmod(time.time(), window_s)
        caller = self._caller(request, view)
        used = _count(f"quota:{scope}:{caller}:{int(window)}", timeout_s=window_s)
        if used is None:
            return True
        ends_in_s = max(1, window_s - int(elapsed))
        self.quota = Quota(scope, limit, window_s, used, ends_in_s)
        # On the request that Django made, so that it is told also where a view fails.
        request._request.quota = self.quota  # type: ignore[attr-defined]  # noqa: SLF001
        return used <= limit

    def wait(self) -> float | None:
        return None if self.quota is None else float(self.quota.ends_in_s)

    def _caller(self, request: Request, view: APIView) -> str:
        named: str | None = getattr(view, "counted_as", lambda: None)()
        if named is not None:
            return named
        if request.user.is_authenticated:
            return f"user:{request.user.pk}"
        # Who has no valid credential where one is needed takes nothing of what is open to all.
        kind = "stranger" if view.get_authenticators() else "address"
        return f"{kind}:{address_of(request)}"


def tell_quota(request: Request | HttpRequest, answer: HttpResponse) -> None:
    """Put what is left of the caller's quota into the answer, where one was counted."""
    quota: Quota | None = getattr(request, "quota", None)
    if quota is not None:
        for name, value in quota.headers().items():
            answer.headers[name] = value


def address_of(request: Request) -> str:
    """Where a request comes from, as far as that can be known."""
    if api_settings.NUM_PROXIES is None:
        # Nobody said that a proxy writes X-Forwarded-For, so the caller may have.
        return str(request.META.get("REMOTE_ADDR", ""))
    return str(BaseThrottle().get_ident(request))


def scope_of(view: APIView) -> str:
    """The quota that a request to the view counts against."""
    by_action: dict[str, str] = getattr(view, "throttle_scopes", {})
    own: str | None = getattr(view, "throttle_scope", None)
    return by_action.get(getattr(view, "action", None) or "") or own or DEFAULT_SCOPE


def _rate(scope: str) -> tuple[int, int] | None:
    """Requests and seconds of a rate such as "60/min", or None for a scope without one."""
    rate = api_settings.DEFAULT_THROTTLE_RATES.get(scope)
    if rate is None:
        return None
    limit, _, period = str(rate).partition("/")
    return int(limit), SECONDS[period[0]]


def _count(key: str, *, timeout_s: int) -> int | None:
    """How often the key was counted, this time included; None when the cache is away."""
    try:
        if cache.add(key, 1, timeout=timeout_s):
            return 1
        return int(cache.incr(key))
    except ValueError:
        return 1  # the window ended between the two calls
    except (RedisError, OSError) as error:
        logger.warning("Quotas are not counted, the cache is away: %s", error)
        return None
