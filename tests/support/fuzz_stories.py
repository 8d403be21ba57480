"""Stories of made-up requests: a thing is made, changed and taken away, and looked for after."""

import random
from datetime import UTC, datetime
from typing import Any

import hypothesis.strategies as st
from schemathesis.engine.recorder import ScenarioRecorder
from schemathesis.generation.modes import GenerationMode

from tests.support.fuzz import Fuzzer, Outcome, draw
from tests.support.fuzz_peers import Peers

CHANGES = ("PATCH ", "PUT ", "POST ", "DELETE ")
STORIES = "stories of "
KEPT = {
    "/api/v1/calendar-feeds": "revoked_at",
    "/api/v1/message-templates": "",
    "/api/v1/waiting-list": "status",
}
"""Paths below which what was taken away stays, to be read -> what says so: the row, or a later."""
LONG = 3
"""Requests of a story, about: more are told until there are enough."""


class Story:
    """What a request has made, and what later ones do with it."""

    def __init__(self, fuzzer: Fuzzer, path: str, outcome: Outcome, chance: random.Random) -> None:
        self.fuzzer = fuzzer
        self.path = path
        self.outcome = outcome
        self.chance = chance
        self.recorder = ScenarioRecorder(label=path)
        self.last: str | None = None
        self.gone = False
        self.shown: dict[str, Any] = {}

    def tell(self, first: Any, look: Any, changes: list[Any]) -> None:
        """Make the thing; then all that can be done with it in any order, its end last.

        The first look at it is one that was drawn: only such a one is repeated as somebody else.
        """
        made = self._send(first)
        if made is None or made.status_code != 201 or "id" not in made.json():
            return
        key = made.json()["id"]
        look.headers.pop("If-None-Match", None)
        self._look(key, look)
        self.chance.shuffle(changes)
        for case in sorted(changes, key=lambda case: case.operation.method.upper() == "DELETE"):
            answer = self._send(case, key=key)
            ends = case.operation.label == f"DELETE {self.path}/{{id}}"
            self.gone |= ends and answer is not None and answer.status_code < 300
            self._look(key)

    def _look(self, key: int, look: Any = None) -> None:
        plain = self.fuzzer.operations[f"GET {self.path}/{{id}}"].Case(path_parameters={"id": key})
        found = self._send(look or plain, key=key)
        if found is None:
            return
        sign = KEPT.get(self.path)
        if not self.gone and found.status_code == 404:
            self._find("What was made is not there")
        elif self.gone and sign and found.json().get(sign) == self.shown.get(sign):
            self._find("What was taken away does not say so")
        self.shown = found.json()

    def _find(self, what: str) -> None:
        told = [one.value.operation.label for one in self.recorder.cases.values()]
        self.outcome.violations += 1
        self.outcome.findings.setdefault(what, " > ".join(told))

    def _send(self, case: Any, key: int | None = None) -> Any:
        self.recorder.record_case(case=Peers.of_owner(case), parent_id=self.last)
        self.last = case.id
        return self.fuzzer.send(
            case,
            self.outcome,
            self.chance,
            key=key,
            recorder=self.recorder,
            stays=self.path in KEPT,
        )


def told_paths(fuzzer: Fuzzer) -> list[str]:
    """Paths at which things are made that are found below."""
    paths = [label.split()[1] for label in fuzzer.operations if label.startswith("POST ")]
    return sorted(path for path in paths if f"GET {path}/{{id}}" in fuzzer.operations)


def tell_stories(fuzzer: Fuzzer, path: str, *, requests: int, seed: int) -> Outcome:
    """Stories of what is made at that path, of so many requests or a few more."""
    outcome = Outcome(f"{STORIES}{path}")
    began = datetime.now(UTC)
    chance = random.Random(f"{seed} {path}")
    fuzzer.begin(path)
    later = [
        label
        for label in fuzzer.operations
        if label.startswith(CHANGES) and label.split()[1].startswith(f"{path}/{{id}}")
    ]
    good = GenerationMode.POSITIVE
    drawn = st.tuples(
        *(
            fuzzer.operations[label].as_strategy(generation_mode=good)
            for label in (f"POST {path}", f"GET {path}/{{id}}", *later)
        )
    )

    def each(cases: tuple[Any, ...]) -> None:
        with fuzzer.app.story():
            Story(fuzzer, path, outcome, chance).tell(cases[0], cases[1], list(cases[2:]))

    while outcome.cases < requests:
        number = -(-(requests - outcome.cases) // LONG)
        before = outcome.cases
        draw(drawn, each, seed=chance.getrandbits(32), number=number)
        if outcome.cases == before:
            break
    outcome.seconds = (datetime.now(UTC) - began).total_seconds()
    return outcome
