"""fingerlead.practice."""

from __future__ import annotations
