"""The history of a period, as lines of JSON with a digest over them."""

import json
from collections.abc import Callable, Iterator
from datetime import datetime
from hashlib import sha256
from typing import Any, Final

from django.core.serializers.json import DjangoJSONEncoder

from clinics.models import Change, RecordRead

BATCH: Final = 500


def history_lines(
    *,
    chain_id: int,
    start: datetime,
    end: datetime,
    note: Callable[[set[int]], None] | None = None,
) -> Iterator[bytes]:
    """Pieces of the export of a chain from `start` to before `end`.

    Each line is an object with `kind`: `change`, `read`, and at the end `end` with the number of
    lines before it and the SHA-256 of their bytes, by which a copy can be checked. A piece is at
    most 500 lines and one query, so that neither a long transaction nor much memory is needed.
    `note` is given the patients of whose records a piece tells, each once.
    """
    digest, count, noted = sha256(), 0, set[int]()
    for kind, model in (("change", Change), ("read", RecordRead)):
        rows: Any = model._default_manager.filter(chain_id=chain_id, at__gte=start, at__lt=end)  # noqa: SLF001
        after = 0
        while page := list(rows.filter(pk__gt=after).order_by("pk").values()[:BATCH]):
            piece = b"".join(_line({"kind": kind, **row}) for row in page)
            digest.update(piece)
            count += len(page)
            after = page[-1]["id"]
            patients = {row["patient_id"] for row in page if row["patient_id"] is not None} - noted
            if note is not None:
                note(patients)
            noted |= patients
            yield piece
    yield _line({"kind": "end", "lines": count, "sha256": digest.hexdigest()})


def _line(value: dict[str, Any]) -> bytes:
    return json.dumps(value, cls=DjangoJSONEncoder, ensure_ascii=False).encode() + b"\n"
