"""What the desk's forms are read and answered with."""

from typing import Any

from starlette.responses import JSONResponse, Response


def field(form: Any, name: str) -> str:
    """A field of a form as text; empty where there is none."""
    value = form.get(name)
    return value if isinstance(value, str) else ""


def fields(form: Any, name: str) -> list[str]:
    """All that a form has under a name, as texts."""
    return [value for value in form.getlist(name) if isinstance(value, str)]


def go_to(address: str) -> Response:
    """Where the page that sent a form goes next."""
    return JSONResponse({"next": address})


def page_asked(query: Any) -> int:
    """Which page the query of an address asks for, from 1, whatever stands in it."""
    page = query.get("page", "1")
    return max(1, int(page)) if len(page) < 5 and page.isascii() and page.isdigit() else 1
