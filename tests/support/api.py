"""A caller of the API who is signed in, and short words for what tests ask of answers."""

from typing import Any

from django.db import connection
from django.test.utils import CaptureQueriesContext
from rest_framework.response import Response
from rest_framework.test import APIClient

from clinics.models import AccessToken, Chain, Clinic, StaffMember
from clinics.vocabulary import Role
from tests.support.factories import make_chain, make_membership, make_staff

BASE = "/api/v1"


class Caller:
    """Sends JSON to `/api/v1<path>`; `staff` is who is signed in, or None."""

    def __init__(self, staff: StaffMember | None = None) -> None:
        self.staff = staff
        self.client = APIClient(raise_request_exception=True)
        if staff is not None:
            _, token = AccessToken.objects.create(staff.user)
            self.client.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")

    def get(self, path: str, **query: Any) -> Response:
        """GET; `from_` stands for the query parameter `from`."""
        return self.client.get(BASE + path, {k.rstrip("_"): v for k, v in query.items()})

    def post(self, path: str, body: Any = None, *, key: str | None = None) -> Response:
        """POST, with an Idempotency-Key where one is given."""
        headers = {"Idempotency-Key": key} if key else {}
        return self.client.post(BASE + path, body or {}, format="json", headers=headers)

    def patch(self, path: str, body: Any, *, version: int | str | None = None) -> Response:
        """PATCH; with `version`, If-Match it."""
        return self.client.patch(BASE + path, body, format="json", headers=_match(version))

    def put(self, path: str, body: Any, *, version: int | str | None = None) -> Response:
        """PUT; with `version`, If-Match it."""
        return self.client.put(BASE + path, body, format="json", headers=_match(version))

    def delete(self, path: str, *, version: int | str | None = None, **query: Any) -> Response:
        """DELETE; with `version`, If-Match it."""
        tail = "?" + "&".join(f"{k}={v}" for k, v in query.items()) if query else ""
        return self.client.delete(BASE + path + tail, headers=_match(version))

    def etag(self, path: str) -> str:
        """The current ETag of a resource."""
        return self.get(path).headers["ETag"]


def sign_in(
    role: Role | None = Role.CHAIN_MANAGER,
    *,
    chain: Chain | None = None,
    clinic: Clinic | None = None,
) -> Caller:
    """Somebody who holds the role at the clinic, or without one in the whole chain."""
    staff = make_staff(chain or (clinic.chain if clinic else make_chain()), user=True)
    if role is not None:
        make_membership(staff, role, clinic=clinic)
    return Caller(staff)


def anonymous() -> Caller:
    """Somebody without a token."""
    return Caller()


def assert_problem(response: Response, status: int, code: str | None = None) -> dict[str, Any]:
    """The answer is an RFC 9457 problem of that status and code; its body."""
    body = response.json() if response.content else {}
    assert response.status_code == status, (response.status_code, body)
    assert response.headers["Content-Type"].startswith("application/problem+json")
    assert body["status"] == status
    if code is not None:
        assert body["code"] == code, body
    return body


def pointers(problem: dict[str, Any]) -> dict[str, str]:
    """Which fields a problem finds wrong: JSON Pointer -> code."""
    return {error["pointer"]: error["code"] for error in problem["errors"]}


def queries_of(caller: Caller, path: str, **query: Any) -> int:
    """How many queries a GET costs."""
    with CaptureQueriesContext(
        connection,
    ) as seen:
        response = caller.get(path, **query)
    assert response.status_code == 200, response.json()
    return len(seen)


def _match(version: int | str | None) -> dict[str, str]:
    if version is None:
        return {}
    return {"If-Match": version if isinstance(version, str) else f'"{version}"'}
