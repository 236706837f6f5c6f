"""Templates as jinja2 reads them: all text is escaped, and a name that is not given is an error."""

from functools import cache

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined


@cache
def templates(*packages: str) -> Environment:
    """The folders `templates` of some packages, those of the first before the others'."""
    return Environment(
        loader=ChoiceLoader([PackageLoader(package) for package in packages]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
