"""`manage.py rotate_keys`: everything that is encrypted comes under the first keys."""

from typing import Any

from django.core.management.base import BaseCommand

from courses.services.key_rotation import keys_rotate


class Command(BaseCommand):
    """After a new first key: see docs/operation.md."""

    help = (
        "Write anew what is not under the first of FALLOW_ENCRYPTION_KEYS and FALLOW_INDEX_KEYS, "
        "in batches beside the running service. Safe to run again."
    )

    def handle(self, *_: Any, **__: Any) -> None:
        for done in keys_rotate():
            self.stdout.write(f"{done.what}: {done.written} written anew, {done.seen} seen")
            self.stdout.flush()
