"""Telling a visitor, once the service answers, where it is and what to try."""

import json
import os
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

from config.local.places import ADDRESSES, PROJECT

PATIENCE_SECONDS = 120.0
RULE = "-" * 78


def main() -> None:
    """Wait until the web server answers, then print the guide in one piece."""
    base = f"http://{os.environ['HOST']}:{os.environ['PORT']}"
    if not _answers(f"{base}/api/v1/health"):
        sys.stdout.write("The web server does not answer yet; its lines above may say why.\n")
        return
    credentials = _credentials(Path(os.environ["FALLOW_CREDENTIALS_FILE"]))
    sys.stdout.write("\n".join(_lines(base, credentials)) + "\n")
    sys.stdout.flush()


def _answers(url: str) -> bool:
    give_up = time.monotonic() + PATIENCE_SECONDS
    while time.monotonic() < give_up:
        try:
            with urllib.request.urlopen(url, timeout=5):  # noqa: S310 - our own loopback address
                return True
        except urllib.error.HTTPError:
            return True
        except OSError:
            time.sleep(0.2)
    return False


def _credentials(path: Path) -> list[dict[str, str]]:
    if not path.is_file():
        return []
    loaded: list[dict[str, str]] = json.loads(path.read_text())
    return loaded


def _lines(base: str, credentials: list[dict[str, str]]) -> list[str]:
    lines = ["", RULE, f"Fallow answers at {base}/api/v1/", f"  pages to read   {base}/api/v1/docs"]
    lines.append(f"  OpenAPI         {base}/api/v1/openapi.json")
    if credentials:
        lines += _sign_ins(base, _one_for_each_role(credentials))
    outbox = Path(os.environ["FALLOW_OUTBOX_DIR"])
    lines += [
        "",
        f"Messages to patients are written to {_short(outbox)}; recalls fall due while you watch.",
        "Open the address in one of them in a browser: there the patient answers.",
        "The worked example in README.md goes on from here.",
        f"A second terminal: . {_short(ADDRESSES)} && .venv/bin/python manage.py shell",
        "Ctrl-C stops all of it; the data stay. `make reset` forgets them.",
        RULE,
        "",
    ]
    return lines


def _sign_ins(base: str, rows: list[dict[str, str]]) -> list[str]:
    """Tokens to use at once, how to sign in instead, and what is worth a first look."""
    lines = ["", "One credential for each role of the invented demonstration chain:"]
    lines += [
        f"  {row['role']:<22} {row['token']}  ({row.get('clinic') or 'whole chain'})"
        for row in rows
    ]
    if names := [row["user_name"] for row in rows if row.get("user_name")]:
        lines += [
            f"  or POST /api/v1/tokens with user_name {', '.join(names)}",
            f"  and password {rows[0]['password']}",
        ]
    looks = [row for row in rows if row.get("look_at")]
    first = looks[0]["look_at"] if looks else "/clinics"
    lines += ["", "Try:", f"  curl -H 'Authorization: Bearer {rows[0]['token']}' \\"]
    lines.append(f"    '{base}/api/v1{first}'")
    if looks:
        lines += ["", "Worth a first look, each with the token of its role:"]
        lines += [f"  {row['role']:<22} {row['look_at']}  ({row['shows']})" for row in looks]
    return lines


def _one_for_each_role(credentials: list[dict[str, str]]) -> list[dict[str, str]]:
    first: dict[str, dict[str, str]] = {}
    for row in credentials:
        first.setdefault(row["role"], row)
    return list(first.values())


def _short(path: Path) -> Path:
    return path.relative_to(PROJECT) if path.is_relative_to(PROJECT) else path


if __name__ == "__main__":
    main()
