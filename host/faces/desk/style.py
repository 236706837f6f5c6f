"""The style of the desk's pages."""

from __future__ import annotations

from functools import cache
from importlib.resources import files


@cache
def style() -> str:
    """What pages and reports share, and the desk's own."""
    shared = (files("host.faces.report") / "templates" / "style.css").read_text(encoding="utf-8")
    return shared + (files("host.faces.desk") / "static" / "desk.css").read_text(encoding="utf-8")
