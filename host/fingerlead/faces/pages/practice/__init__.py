"""fingerlead.faces.pages.practice."""

from __future__ import annotations
