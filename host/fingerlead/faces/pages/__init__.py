"""fingerlead.faces.pages."""

from __future__ import annotations
