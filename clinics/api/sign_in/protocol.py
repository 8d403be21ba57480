"""The shell around allauth's steps: our policy, quotas and problems, its protocol.

allauth answers `{"status", "data", "meta"}`. What succeeds is passed on as it is; what does not is
a problem document with the same `data` and `meta`, so that a client of allauth's finds what it
looks for. Paths and bodies are those of allauth's interface for apps, below `/api/v1`.
"""

import json
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any, ClassVar, Final

from allauth.core.exceptions import ImmediateHttpResponse
from allauth.headless.base.views import APIView as Step
from allauth.headless.constants import Client, Flow
from django.http import HttpResponse
from rest_framework.request import Request
from rest_framework.response import Response

import clinics.api.sign_in.problem_kinds  # noqa: F401 - told, so that each has its page
from clinics.api.authentication import SESSION_HEADER
from core.api.problem import Problem, as_response
from core.api.problem_kinds import problem_kind
from core.api.views import FallowView

GONE: Final = ("session_gone", "This session is over. Sign in again.")
NEEDS_CODE: Final = (
    "second_factor_needed",
    (
        "Send the code of the second factor to /api/v1/auth/2fa/authenticate, with the session "
        "token in `meta`."
    ),
)
NEEDS_PROOF: Final = (
    "proof_needed",
    (
        "Prove anew who you are: /api/v1/auth/reauthenticate with the password, or "
        "/api/v1/auth/2fa/reauthenticate with a code. Then send this again."
    ),
)
NOT_SIGNED_IN: Final = ("not_signed_in", "Nobody is signed in with this session.")
SAID: Final[dict[int, tuple[str, str]]] = {
    HTTPStatus.GONE: GONE,
    HTTPStatus.NOT_FOUND: ("not_set_up", "It is not set up."),
    HTTPStatus.CONFLICT: ("sign_in_conflict", "This step is not the next one."),
    HTTPStatus.FORBIDDEN: ("forbidden", "This way is closed."),
}


class SignInStep(FallowView):
    """One step of signing in, or of what concerns a sign-in, done by allauth.

    `anew`: it begins a session, so one that is borne still neither helps nor stands in the way.
    """

    authentication_classes: Any = ()
    throttle_scope = "sign_in"
    untagged = ("get",)
    refusals = dict.fromkeys(("get", "post", "put", "delete"), (401,))
    step: ClassVar[type[Step]]
    anew: ClassVar[bool] = False

    def get_authenticate_header(self, request: Request) -> str:
        """Says how to come back: 401 without it would turn into 403."""
        return SESSION_HEADER

    def pass_on(self, request: Request, body: Mapping[str, Any] | None = None) -> Response:
        """Allauth's answer to this request, whose body is what was found valid."""
        asked: Any = request._request  # noqa: SLF001 - the request that Django made
        asked._body = json.dumps(body).encode() if body else b""  # noqa: SLF001
        asked.signs_in_anew = self.anew
        try:
            answer = self.step.as_api_view(client=Client.APP)(asked)
        except ImmediateHttpResponse as early:
            answer = early.response
        return self._told(answer)

    def _told(self, answer: HttpResponse) -> Response:
        told = json.loads(answer.content or b"{}")
        if answer.status_code < HTTPStatus.BAD_REQUEST:
            return Response(told, status=answer.status_code)
        return as_response(problem_of(answer.status_code, told), self.request)


def problem_of(status: int, told: Mapping[str, Any]) -> Problem:
    """A refusal of allauth's as a problem."""
    code, detail = _said(status, told)
    errors = [
        {
            **({"pointer": f"/{error['param']}"} if error.get("param") else {}),
            "code": error["code"],
            "detail": error["message"],
        }
        for error in told.get("errors", ())
    ]
    data = {name: told[name] for name in ("data", "meta") if name in told}
    if errors:
        first = errors[0]["code"]
        code = first if problem_kind(first) else "invalid"
        detail = errors[0]["detail"]
        data["errors"] = errors
    status = HTTPStatus.UNAUTHORIZED if status == HTTPStatus.GONE else HTTPStatus(status)
    return Problem(
        status=status,
        code=code,
        title=status.phrase,
        detail=detail,
        data=data,
        headers={"WWW-Authenticate": SESSION_HEADER} if status == HTTPStatus.UNAUTHORIZED else {},
    )


def _said(status: int, told: Mapping[str, Any]) -> tuple[str, str]:
    if status != HTTPStatus.UNAUTHORIZED:
        return SAID.get(status, ("malformed", "The request cannot be understood."))
    if told.get("meta", {}).get("is_authenticated"):
        return NEEDS_PROOF
    flows = told.get("data", {}).get("flows", ())
    pending = any(flow["id"] == Flow.MFA_AUTHENTICATE and flow.get("is_pending") for flow in flows)
    return NEEDS_CODE if pending else NOT_SIGNED_IN
