"""The page's texts: one catalogue for the templates and for the page's scripts, so that it can be translated.

Texts hold names in braces (`{name}`), filled in where they are shown. A translation is a file beside `en.toml` with the
same keys.
"""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any


@cache
def catalogue(language: str = "en", folder: Path = Path(__file__).parent / "texts") -> dict[str, Any]:
    """Every text of the page, nested by part of the page; `lang` is the language's code (BCP 47)."""
    return tomllib.loads((folder / f"{language}.toml").read_text(encoding="utf-8"))
