"""The templates of a page, filled in with its texts: one catalogue for templates and scripts, to be translated.

Texts hold names in braces (`{name}`), filled in where they are shown. A translation is a file beside each `en.toml`
with the same keys.
"""

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

from fingerlead.faces.templates import templates

LANGUAGE = "en"


@cache
def catalogue(package: str) -> dict[str, Any]:
    """Every text of a page, by section: those that all pages share, and its package's own, if it has any.

    `lang` is the language's code (BCP 47).
    """
    texts: dict[str, Any] = {}
    for each in (__package__ or "", package):
        file = files(each) / "texts" / f"{LANGUAGE}.toml"
        if file.is_file():
            texts |= tomllib.loads(file.read_text(encoding="utf-8"))
    return texts


def render(package: str, name: str, **values: Any) -> str:
    """A page's template filled in: its package's own templates, with the kit's behind them; `t` are its texts."""
    return templates(package, __package__ or "").get_template(name).render(t=catalogue(package), **values)
