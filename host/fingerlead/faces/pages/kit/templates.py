"""A page's template filled in: its package's own templates, with the kit's behind them."""

from typing import Any

from fingerlead.faces.pages.kit.texts import catalogue
from fingerlead.faces.templates import templates


def render(package: str, name: str, **values: Any) -> str:
    """A page's template filled in; `t` are its texts."""
    return templates(package, __package__ or "").get_template(name).render(t=catalogue(package), **values)
