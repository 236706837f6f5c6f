"""Where this system keeps a user's own data."""

from __future__ import annotations

from pathlib import Path


def own_folder() -> Path:
    """The folder of this program; sittings, progress and a studio lie in it unless told otherwise."""
    import platformdirs

    return platformdirs.user_data_path("fingerlead")
