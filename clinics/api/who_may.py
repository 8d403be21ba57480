"""What the OpenAPI document says of who may: the roles of each operation, and where to hold one."""

from typing import Any, Final

from clinics.policy import POLICY
from clinics.vocabulary import Scope

HELD: Final = {
    Scope.CLINIC: "held at the clinic that is acted on, or for the whole chain",
    Scope.ANYWHERE: "held at any clinic, or for the whole chain",
    Scope.CHAIN: "held for the whole chain",
}


def say_who_may(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Add `x-roles`, `x-scope` and a sentence to every operation of the policy table."""
    for item in result["paths"].values():
        for operation in item.values():
            rule = POLICY.get(operation.get("x-policy", ""))
            if rule is not None:
                roles = sorted(rule.roles)
                operation["x-roles"], operation["x-scope"] = (
                    [str(one) for one in roles],
                    str(rule.scope),
                )
                who = ", ".join(role.replace("_", " ") for role in roles)
                said = f"Who may: {who}; {HELD[rule.scope]}."
                told = operation.get("description", "")
                operation["description"] = f"{told}\n\n{said}" if told else said
    return result
