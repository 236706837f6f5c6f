"""The templates of a package as jinja2 reads them: all text is escaped, and a name that is not given is an error."""

from __future__ import annotations

from functools import cache
from typing import Any

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

from fingerlead.faces.pages.kit.texts import catalogue


@cache
def templates(package: str) -> Environment:
    """The folder `templates` of a package, with the kit's own behind it."""
    return Environment(
        loader=ChoiceLoader([PackageLoader(package), PackageLoader(__package__ or "")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render(package: str, name: str, **values: Any) -> str:
    """A page's template filled in; `t` are its texts."""
    return templates(package).get_template(name).render(t=catalogue(package), **values)
