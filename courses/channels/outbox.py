"""A folder instead of a provider, for demonstrations: one file for each message.

Repeats are harmless: the file is named after the key and written in one step.
"""

import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

from courses.channels.port import Delivery, Outgoing, TemporaryTrouble, Text


@dataclass(frozen=True, slots=True)
class FileOutbox:
    """Writes to `folder`, which only the service's own user may read."""

    folder: Path

    @property
    def honours_keys(self) -> bool:
        """The file of a key is written once."""
        return True

    def send(self, message: Outgoing, *, text: Text, key: str) -> Delivery:
        """See the port. A full or missing disk is temporary trouble."""
        target = self.folder / f"{key}.txt"
        try:
            if not target.exists():
                self._write(target, _letter(message, text=text, key=key))
        except OSError as error:
            raise TemporaryTrouble("outbox_unwritable") from error
        return Delivery(reference=target.name)

    def _write(self, target: Path, letter: str) -> None:
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=self.folder, prefix=".", suffix=".part")
        written = Path(name)
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(letter)
                file.flush()
                os.fsync(file.fileno())
            written.replace(target)
        finally:
            written.unlink(missing_ok=True)


def _letter(message: Outgoing, *, text: Text, key: str) -> str:
    return (
        f"Channel: {message.channel}\nFrom: {message.sender_name}\nTo: {message.address}\n"
        f"Subject: {text.subject}\nKey: {key}\n\n{text.body}"
    )
