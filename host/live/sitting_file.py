"""Where a sitting is kept without anybody asking: a folder of sessions, each named by its date and time."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

from host.store.session_file import Carrier, SessionError, SessionWriter

ENDING = ".session"
TRIED_NAMES = 100


def begin_session(
    folder: Path, port: str, carrier: Carrier, settings: Mapping[str, object], started: datetime
) -> SessionWriter:
    """A new session; SessionError where it cannot be written."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SessionError(
            folder, f"the folder for sessions cannot be made: {error.strerror or error}; name another with --folder"
        ) from None
    path = _free_name(folder, started)
    return SessionWriter(path, carrier, port, settings, started.astimezone())


def _free_name(folder: Path, started: datetime) -> Path:
    stem = f"{started:%Y-%m-%d-%H%M%S}"
    names = (stem, *(f"{stem}-{number}" for number in range(2, TRIED_NAMES)))
    paths = [folder / (name + ENDING) for name in names]
    return next((path for path in paths if not path.exists()), paths[-1])
