"""`docs/access.md`: the policy table, and which operations ask for which action, for people."""

from collections import defaultdict
from pathlib import Path
from typing import Any, Final

import yaml

from clinics.policy import POLICY, Rule
from clinics.vocabulary import Role, Scope

HEADING: Final = """# Who may do what

Made from `clinics/policy.py` and the OpenAPI document by `python -m config.checks policy --write`;
a check fails when it is not current, and `tests/access` asks every operation as every role.

A cell says where the role must be held for the action:

- **clinic**: at the clinic of what is acted on, or for the whole chain
- **any**: at any clinic, or for the whole chain
- **chain**: for the whole chain

Nobody sees or changes anything of another chain: its ids do not exist (404). Reading is never
narrower than the chain, so that a patient can be treated at any of its clinics.
"""
SHORT: Final = {Scope.CLINIC: "clinic", Scope.ANYWHERE: "any", Scope.CHAIN: "chain"}
METHODS: Final = ("get", "post", "put", "patch", "delete")


def page(document: Path) -> str:
    """The page, from the policy table and the OpenAPI document in that file."""
    told = yaml.load(document.read_text(), Loader=yaml.CSafeLoader)
    asked = _operations(told)
    roles = list(Role)
    lines = [HEADING, "## Actions", ""]
    lines += _row("action", *(role.replace("_", " ") for role in roles), "operations")
    lines += _row(*("---" for _ in range(len(roles) + 2)))
    for action, rule in POLICY.items():
        cells = (_cell(rule, role) for role in roles)
        lines += _row(f"`{action}`", *cells, str(len(asked[action])))
    lines += [
        "",
        "An action without operations is asked inside of others.",
        "",
        "## Operations",
        "",
    ]
    lines += [
        "Open to everyone, or to who is signed in with a session, are those named last.",
        "",
        *_row("action", "operations"),
        *_row("---", "---"),
    ]
    for action in sorted(asked, key=lambda name: (name not in POLICY, name)):
        lines += _row(f"`{action}`", "<br>".join(f"`{one}`" for one in asked[action]))
    lines += ["", "## Fields", "", "Null to who lacks the action, and not changed by them.", ""]
    lines += [*_row("answer", "field", "action"), *_row("---", "---", "---")]
    for component, schema in sorted(told["components"]["schemas"].items()):
        for name, field in schema.get("properties", {}).items():
            if "x-shown-to" in field:
                lines += _row(f"`{component}`", f"`{name}`", f"`{field['x-shown-to']}`")
    return "\n".join(lines) + "\n"


def _operations(told: dict[str, Any]) -> defaultdict[str, list[str]]:
    found: defaultdict[str, list[str]] = defaultdict(list)
    for path, item in told["paths"].items():
        for method in METHODS:
            if method in item:
                found[item[method]["x-policy"]].append(f"{method.upper()} {path}")
    return found


def _cell(rule: Rule, role: Role) -> str:
    return SHORT[rule.scope] if role in rule.roles else ""


def _row(*cells: str) -> list[str]:
    return ["| " + " | ".join(cells) + " |"]
