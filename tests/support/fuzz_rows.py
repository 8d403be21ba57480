"""Made-up requests get keys of rows that are there, days near the present one, good secrets."""

import io
import json
import random
import re
from collections import defaultdict
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

from schemathesis.generation.modes import GenerationMode

from tests.support.fuzz_bodies import Bodies
from tests.support.fuzz_callers import SESSIONS, Callers, Known

PAGE = 50
REAL = 0.8
"""Share of well-formed requests whose keys are those of real rows."""
KEYS = {"id", "replan"}
"""Path parameters that are keys of the collection before them."""
DAY = re.compile(r"\d{4}-\d\d-\d\d")
INSTANT = re.compile(DAY.pattern + r"[Tt]\d\d:\d\d.*")

Pools = dict[str, list[int]]


class Rows:
    """Keys of what is there: by collection (`/patients`) and by field that carries such a key."""

    def __init__(self, app: Callable[..., list[bytes]], callers: Callers, bodies: Bodies) -> None:
        self.app = app
        self.callers = callers
        self.bodies = bodies
        self.pools: Pools = {}

    def look(self, labels: Iterable[str]) -> None:
        """Read the lists of the API itself."""
        found: dict[str, set[int]] = defaultdict(set)
        for label in labels:
            method, path = label.split(" ", 1)
            if method != "GET" or "{" in path:
                continue
            rows = self._list(path)
            for row in rows:
                _keys_of(row, found)
            found[path] |= {row["id"] for row in rows if isinstance(row.get("id"), int)}
            found[_singular(path)] |= found[path]
        self.pools = {name: sorted(keys) for name, keys in found.items() if keys}

    def look_at_sessions(self) -> None:
        """Read those of the people who are about to ask."""
        self.pools[SESSIONS] = self.callers.own_sessions()

    def make_real(self, case: Any, known: Known, chance: random.Random) -> None:
        """Put what is there into the well-formed parts of a request."""
        self.callers.signs = False
        meta = case.meta
        if meta is None:
            return
        modes = {place.name: part.mode for place, part in meta.components.items()}
        if chance.random() < REAL and _is_good(modes.get("PATH")):
            self._make_path_real(case, chance)
        if chance.random() < REAL and _is_good(modes.get("HEADER")):
            self.callers.signs = True
            if case.headers and "If-Match" in case.headers:
                case.headers["If-Match"] = "*"
        if not meta.generation.mode.is_positive or chance.random() > REAL:
            return
        if isinstance(case.body, dict | list):
            body = self._real(_without_cursor(case.body), "", known, chance)
            case.body = body if known else self.bodies.mixed(case.operation.label, body, chance)
        if case.query:
            case.query = self._real(_without_cursor(case.query), "", known, chance)

    def _make_path_real(self, case: Any, chance: random.Random) -> None:
        keys = self.pools.get(_collection(case.path), [])
        given = case.path_parameters or {}
        for name in KEYS & set(given):
            if keys:
                given[name] = chance.choice(keys)
        tokens = self.callers.tokens.get(case.path.split("/")[1])
        if tokens and "token" in given:
            given["token"] = chance.choice(tokens)

    def _real(self, value: Any, name: str, known: Known, chance: random.Random) -> Any:
        if isinstance(value, dict):
            return {key: self._real(one, key, known, chance) for key, one in value.items()}
        if isinstance(value, list):
            return [self._real(one, name, known, chance) for one in value]
        if isinstance(value, int) and not isinstance(value, bool) and self.pools.get(name):
            return chance.choice(self.pools[name])
        if isinstance(value, str):
            return chance.choice(known[name]) if known.get(name) else _timely(value, chance)
        return value

    def _list(self, path: str) -> list[dict[str, Any]]:
        environ = {
            "REQUEST_METHOD": "GET",
            "PATH_INFO": path,
            "QUERY_STRING": "",
            "SERVER_NAME": "localhost",
            "SERVER_PORT": "80",
            "wsgi.input": io.BytesIO(),
            "wsgi.url_scheme": "http",
            "HTTP_AUTHORIZATION": self.callers.machine["Authorization"],
        }
        answered: list[str] = []
        body = b"".join(self.app(environ, lambda status, _: answered.append(status)))
        if not answered or not answered[0].startswith("200"):
            return []
        try:
            told = json.loads(body)
        except ValueError:
            return []
        rows = told.get("items") if isinstance(told, dict) else None
        return [row for row in rows or [] if isinstance(row, dict)]


def _keys_of(row: Any, found: dict[str, set[int]]) -> None:
    if isinstance(row, dict):
        for name, value in row.items():
            if isinstance(value, int) and not isinstance(value, bool):
                if name not in {"id", "version"} and not name.endswith(("_nm", "_mm", "_s")):
                    found[name].add(value)
            else:
                _keys_of(value, found)
    elif isinstance(row, list):
        for one in row[:PAGE]:
            _keys_of(one, found)


def _collection(path: str) -> str:
    return path.split("/{", 1)[0]


def _singular(path: str) -> str:
    name = path.rsplit("/", 1)[1].replace("-", "_")
    if name.endswith("ies"):
        return name[:-3] + "y"
    return name.removesuffix("s")


def _without_cursor(asked: Any) -> Any:
    """A cursor is signed: only one that was given can be good."""
    if not isinstance(asked, dict):
        return asked
    return {name: one for name, one in asked.items() if name != "cursor"}


def _is_good(mode: GenerationMode | None) -> bool:
    return mode is None or mode.is_positive


def _timely(text: str, chance: random.Random) -> str:
    """A day or an instant is moved near the present one."""
    if INSTANT.fullmatch(text):
        return _near(chance).isoformat()
    return _near(chance).date().isoformat() if DAY.fullmatch(text) else text


def _near(chance: random.Random) -> datetime:
    hours = chance.randint(-30 * 24, 60 * 24)
    base = datetime.now(UTC).replace(minute=0, second=0, microsecond=0)
    return base + timedelta(hours=hours)
