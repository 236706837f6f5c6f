"""fingerlead.faces.pages.kit."""

from __future__ import annotations
