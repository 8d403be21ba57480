"""Requests made up from the OpenAPI document, answered in process as by a web process.

Each is answered in a transaction of its own that is rolled back, so that the thousandth finds what
the first one found.
"""

import random
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from itertools import cycle
from pathlib import Path
from typing import Any

import hypothesis
import schemathesis
from django.core.signals import got_request_exception, request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections, connection
from hypothesis.strategies import SearchStrategy
from rest_framework.fields import Field
from schemathesis.checks import CHECKS, load_all_checks
from schemathesis.config import SchemathesisConfig
from schemathesis.core.failures import Failure, FailureGroup
from schemathesis.engine.recorder import ScenarioRecorder
from schemathesis.generation.modes import GenerationMode

from clinics.models import Chain
from core.api.body import UNKNOWN
from tests.support.access_world import world_of
from tests.support.answer_headers import torn
from tests.support.demo import unit
from tests.support.fuzz_bodies import Bodies
from tests.support.fuzz_callers import Callers
from tests.support.fuzz_peers import Peers
from tests.support.fuzz_rows import Rows
from tests.support.operations import resolved
from tests.support.walls import as_web_process

CONFIG = Path(__file__).parents[1] / "fuzz" / "schemathesis.toml"
DOCUMENT = "/api/v1/openapi.json"
BASE = "/api/v1"
PROBES = 3
"""So many good answers of an operation are asked for again without a credential."""
ON_THEIR_OWN = ("ignored_auth",)
OF_A_STORY = ("use_after_free", "ensure_resource_availability")
OF_TWO = ("object_level_authorization",)
SAFE = {"GET", "HEAD", "OPTIONS"}

OF_FORM = {
    "empty",
    "incorrect_type",
    "invalid_choice",
    "max_length",
    "max_string_length",
    "max_value",
    "min_length",
    "min_value",
    "not_a_dict",
    "not_a_list",
    "null",
    "required",
    "unknown",
}
"""Codes of refusals that a reader of the document can foresee."""

BARE = {
    "required": {str(Field.default_error_messages["required"])},
    "unknown": {str(UNKNOWN), "Unknown parameter"},
}
"""What these two say where they are about the form alone."""


class RolledBack:
    """The application, each request in a transaction that leaves nothing behind."""

    def __init__(self, callers: Callers) -> None:
        self.application = get_wsgi_application()
        self.failed: str = ""
        self.keeps = False
        self.callers = callers
        self.keep_connection()
        got_request_exception.connect(self._note)

    def keep_connection(self) -> None:
        """Let no request end the connection; a test client that was used has undone that."""
        for signal in (request_started, request_finished):
            signal.disconnect(close_old_connections)

    def __call__(self, environ: dict[str, Any], start_response: Callable[..., Any]) -> list[bytes]:
        self.failed = ""
        self.callers.sign(environ)
        with unit() as _, as_web_process():
            answer = self.application(environ, start_response)
            body = b"".join(answer)
            answer.close()
            if environ["REQUEST_METHOD"] not in SAFE and not connection.needs_rollback:
                # What waits for the commit is looked at now, as there will be none.
                connection.check_constraints()
            if not self.keeps:
                connection.set_rollback(True)
        return [body]

    @contextmanager
    def story(self) -> Iterator[None]:
        """One request finds what those before it did; all is rolled back at the end."""
        self.keeps = True
        try:
            with unit():
                yield
                connection.set_rollback(True)
        finally:
            self.keeps = False

    def _note(self, **_: Any) -> None:
        self.failed = traceback.format_exc()


@dataclass(slots=True)
class Outcome:
    """What came of the requests of one operation."""

    operation: str
    cases: int = 0
    seconds: float = 0.0
    statuses: dict[str, int] = field(default_factory=dict)
    server_errors: int = 0
    violations: int = 0
    findings: dict[str, str] = field(default_factory=dict)
    """What failed, in one line -> how to see it again."""

    def count(self, status: int) -> None:
        self.cases += 1
        self.statuses[str(status)] = self.statuses.get(str(status), 0) + 1

    def as_json(self) -> dict[str, Any]:
        return asdict(self)


class Fuzzer:
    """Sends made-up requests of one caller who holds every role in a chain that was filled."""

    def __init__(self, chain: Chain) -> None:
        load_all_checks()
        self.callers = Callers(chain)
        self.app = RolledBack(self.callers)
        self.schema = schemathesis.openapi.from_wsgi(
            DOCUMENT, self.app, config=SchemathesisConfig.from_path(CONFIG)
        )
        self.operations = {
            found.ok().label: found.ok() for found in self.schema.get_all_operations()
        }
        self.rows = Rows(self.app, self.callers, Bodies(world_of(chain)))
        self.rows.look(self.operations)
        every = [check for check in CHECKS.get_all() if not isinstance(check, type)]
        self.checks = [
            one for one in every if one.__name__ not in ON_THEIR_OWN + OF_A_STORY + OF_TWO
        ]
        self.checks += [constraints_are_told, headers_are_told]
        self.probes = [one for one in every if one.__name__ in ON_THEIR_OWN]
        self.of_two = [one for one in every if one.__name__ in OF_TWO]
        self.peers = Peers(
            self.schema, owner=self.callers.machine, stranger=self.callers.of_strangers()
        )
        self.of_a_story = [one for one in every if one.__name__ in OF_A_STORY]

    def run(self, label: str, *, cases: int, seed: int, coverage: int | None = None) -> Outcome:
        """So many requests of one operation: edges of its schema, then drawn ones, good and bad."""
        outcome = Outcome(label)
        began = datetime.now(UTC)
        self.begin(self.operations[label].path)
        chance = random.Random(f"{seed} {label}")
        for case in self._edges(label, at_most=cases // 2 if coverage is None else coverage):
            self.send(case, outcome, chance)
        modes = [GenerationMode.POSITIVE, GenerationMode.NEGATIVE]
        half = -(-max(cases - outcome.cases, 0) // 2)
        drawn: list[Any] = []
        while modes and outcome.cases < cases:
            mode, number = modes.pop(0), min(half, cases - outcome.cases)
            came = self._draw(label, mode, outcome, chance, number=number)
            drawn += came
            modes += [mode] if len(came) == number else []
        # An operation that takes next to nothing has few cases that differ: they come again.
        for _, case in zip(range(cases - outcome.cases), cycle(drawn), strict=False):
            self.send(case, outcome, chance)
        outcome.seconds = (datetime.now(UTC) - began).total_seconds()
        return outcome

    def begin(self, path: str) -> None:
        """Let who may ask there be ready."""
        self.callers.begin(path)
        self.rows.look_at_sessions()
        self.app.keep_connection()

    def _edges(self, label: str, *, at_most: int) -> Iterator[Any]:
        operation = self.operations[label]
        edges = self.schema.iter_coverage_cases(
            operation,
            generation_modes=[GenerationMode.POSITIVE, GenerationMode.NEGATIVE],
            generation_config=self.schema.config.generation,
        )
        for _, case in zip(range(at_most), edges, strict=False):
            yield case

    def _draw(
        self, label: str, mode: GenerationMode, outcome: Outcome, chance: random.Random, number: int
    ) -> list[Any]:
        """Send so many drawn cases, or fewer when no more of them differ; they themselves."""
        drawn: list[Any] = []

        def each(case: Any) -> None:
            drawn.append(case)
            self.send(case, outcome, chance)

        strategy = self.operations[label].as_strategy(generation_mode=mode)
        draw(strategy, each, seed=chance.getrandbits(32), number=number)
        return drawn

    def send(
        self,
        case: Any,
        outcome: Outcome,
        chance: random.Random,
        *,
        key: int | None = None,
        recorder: ScenarioRecorder | None = None,
        stays: bool = False,
    ) -> Any:
        """Send one request, of the row `key` if given, and judge the answer; the answer, if any.

        `stays`: what is taken away in the story of the recorder can still be read.
        """
        asker, known = self.callers.next(case.operation.path, chance)
        self.rows.make_real(case, known, chance)
        if key is not None:
            case.path_parameters["id"] = key
        # The transport in process does not unpack what is compressed.
        headers = {**asker, "Accept-Encoding": "identity"}
        try:
            response = case.call(headers=headers)
        except Exception:  # noqa: BLE001  whatever it is, it is a finding
            outcome.count(0)
            outcome.server_errors += 1
            outcome.findings.setdefault(_line(traceback.format_exc()), traceback.format_exc())
            return None
        outcome.count(response.status_code)
        if response.status_code >= 500 and response.status_code != 503:
            outcome.server_errors += 1
            outcome.findings.setdefault(
                f"{response.status_code} {_line(self.app.failed)}",
                f"{_curl(case, response)}\n{self.app.failed}",
            )
            return response
        checks = self._checks_of(case, response, outcome)
        if recorder is not None:
            recorder.record_response(case_id=case.id, response=response)
            checks += self.of_two if stays else self.of_two + self.of_a_story
        try:
            with self.peers.known():
                case.validate_response(response, checks=checks, headers=asker, recorder=recorder)
        except FailureGroup as group:
            outcome.violations += 1
            for failure in group.exceptions:
                outcome.findings.setdefault(
                    _told(failure, response), _curl(case, response) + "\n" + response.text[:1000]
                )
        return response

    def _checks_of(self, case: Any, response: Any, outcome: Outcome) -> list[Any]:
        checks = list(self.checks)
        if outcome.statuses[str(response.status_code)] <= PROBES and response.status_code < 300:
            checks += self.probes
        if trimmed(case.body) != case.body:
            # Spaces at the ends do not count: what is too long with them may be right without.
            checks = [one for one in checks if one.__name__ != "negative_data_rejection"]
        return checks


def draw(
    strategy: SearchStrategy[Any], each: Callable[[Any], None], *, seed: int, number: int
) -> None:
    """So many examples, or fewer when no more of them differ."""

    @hypothesis.seed(seed)
    @hypothesis.settings(
        max_examples=number,
        phases=[hypothesis.Phase.generate],
        database=None,
        deadline=None,
        suppress_health_check=list(hypothesis.HealthCheck),
        verbosity=hypothesis.Verbosity.quiet,
    )
    @hypothesis.given(drawn=strategy)
    def run(drawn: Any) -> None:
        each(drawn)

    with suppress(hypothesis.errors.Unsatisfiable, schemathesis.errors.SchemathesisError):
        run()


def constraints_are_told(_: Any, response: Any, case: Any) -> None:
    """What the document allows is not refused for its bare form, whatever a rule says of it."""
    meta = case.meta
    if response.status_code != 400 or meta is None or not meta.generation.mode.is_positive:
        return
    errors = response.json().get("errors", [])
    formal = [one for one in errors if one["code"] in OF_FORM and not _is_of_a_rule(one)]
    if formal:
        raise AssertionError(f"The document does not say: {formal[0]}")


def headers_are_told(_: Any, response: Any, case: Any) -> None:
    """The headers of an answer are those that the document declares for it."""
    if response.request.method != case.operation.method.upper():
        return
    told = case.operation.definition.raw["responses"].get(str(response.status_code))
    found = torn(resolved(told), response.headers) if told else []
    if found:
        raise AssertionError(f"Headers [{response.status_code}]: {', '.join(found)}")


def trimmed(body: Any) -> Any:
    """A body as the service reads it: its texts without spaces at their ends."""
    if isinstance(body, dict):
        return {name: trimmed(one) for name, one in body.items()}
    if isinstance(body, list):
        return [trimmed(one) for one in body]
    return body.strip() if isinstance(body, str) else body


def _is_of_a_rule(error: dict[str, str]) -> bool:
    """Whether more is refused than a form: a change of nothing, one of two, a name nobody knows."""
    bare = BARE.get(error["code"])
    return error.get("pointer") == "" or (bare is not None and error["detail"] not in bare)


def _line(trace: str) -> str:
    lines = [line.strip() for line in trace.strip().splitlines() if line.strip()]
    return lines[-1][:200] if lines else "no trace"


def _told(failure: Failure, response: Any) -> str:
    message = " | ".join(failure.message.splitlines()[:6])
    return f"{type(failure).__name__} [{response.status_code}]: {message}"[:400]


def _curl(case: Any, response: Any) -> str:
    request = response.request
    body = request.body
    if isinstance(body, bytes):
        body = body.decode(errors="replace")
    meta = case.meta
    how = getattr(meta.phase.data, "description", "") if meta else "of a story"
    kind = f"{meta.generation.mode.value if meta else 'positive'}: {how}"
    headers = {
        name: value
        for name, value in request.headers.items()
        if name not in {"Authorization", "User-Agent", "Accept-Encoding", "Connection"}
    }
    return f"({kind}) {request.method} {request.url} {headers} {str(body)[:1500]}"
