"""The templates of a room as jinja2 reads them: all text is escaped, and a name that is not given is an error."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


@cache
def templates(package: str) -> Environment:
    """The folder `templates` of a package."""
    from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

    return Environment(
        loader=PackageLoader(package, "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
