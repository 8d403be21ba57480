"""Who may do what: each view names, for each of its actions, a key of the policy table."""

from typing import Any, Final, Protocol

from django.core.exceptions import ImproperlyConfigured
from rest_framework.exceptions import MethodNotAllowed
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

PUBLIC: Final = "public"
"""The policy of an endpoint that is open to everyone, with or without a credential."""


class Actor(Protocol):
    """Whoever asks, as far as the kernel needs to know."""

    def admit(self, action: str) -> None:
        """Raise Forbidden unless a role of the caller allows the action, wherever it is held."""
        ...


class PolicyPermission(BasePermission):
    """Asks `request.actor.admit(view.policy[action])`; the authentication class sets the actor.

    Raises ImproperlyConfigured for a view that names no policy for the action.
    """

    message = "Your roles do not allow this."

    def has_permission(self, request: Request, view: Any) -> bool:
        action = answered_action(request, view)
        if action is None:
            return True
        key = policy_of(view, action)
        if key == PUBLIC:
            return True
        actor: Actor | None = getattr(request, "actor", None)
        if not request.user.is_authenticated or actor is None:
            return False
        actor.admit(key)
        return True


def action_of(request: Request, view: Any) -> str | None:
    """The action of a viewset or the method of a plain view; None for one that answers 405."""
    method = (request.method or "").lower()
    if method == "options" or method not in view.http_method_names:
        return None
    if hasattr(view, "action_map"):
        action: str | None = view.action
        return action
    handler = "get" if method == "head" else method
    return handler if hasattr(view, method) else None


def answered_action(request: Request, view: Any) -> str | None:
    """The action that answers; None for OPTIONS. Raises MethodNotAllowed when there is none."""
    action = action_of(request, view)
    if action is None and request.method != "OPTIONS":
        raise MethodNotAllowed(request.method or "")
    return action


def policy_of(view: Any, action: str) -> str:
    """The policy key of a view's action. Raises ImproperlyConfigured when it names none."""
    key: str | None = getattr(view, "policy", {}).get(action)
    if key is None:
        name = view.__name__ if isinstance(view, type) else type(view).__name__
        raise ImproperlyConfigured(f"{name}.policy has no entry for {action}")
    return key
