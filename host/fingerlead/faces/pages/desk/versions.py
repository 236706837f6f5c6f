"""Other versions of who a pupil is, left by a program that keeps folders alike: shown beside this one, to choose."""

from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fingerlead.faces.pages.desk.forms import field, go_to
from fingerlead.studio.saves import EDITABLE, fields_of, read_fields, write_fields
from fingerlead.studio.studio import Studio

LABELS = {"name": "Name or nickname", "hand_on_top": "Hand on top", "chanter": "Chanter", "note": "Your note"}


def versions(studio: Studio, key: str) -> list[dict[str, Any]]:
    """What the pupil's page asks: for each other version, what differs, with the texts to choose from."""
    found = studio.copies(key)
    here = fields_of(studio.pupil(key))
    return [
        {
            "file": copy.name,
            "digest": copy.digest,
            "was": write_fields(here),
            "fields": [
                {"field": name, "label": LABELS[name], "choices": _choices(name, here[name], there)}
                for name, there in fields_of(copy.pupil).items()
                if there != here[name]
            ],
        }
        for copy in found
    ]


def _choices(name: str, here: str, there: str) -> list[dict[str, str]]:
    found = {"As it is here": here, "As it is there": there}
    if name == "note" and here and there:
        found["Both, one below the other"] = f"{here}\n\n{there}"
    return [{"name": which, "text": text} for which, text in found.items()]


def versions_route(studio: Studio) -> Route:
    """The address of what was chosen."""

    async def settle(request: Request) -> Response:
        """Keep what was chosen of each field, and let the other version go."""
        key, form = request.path_params["key"], await request.form()
        was = read_fields(field(form, "was"))
        chosen = {name: field(form, name) if name in form else was.get(name, "") for name in EDITABLE}
        studio.settle(key, (field(form, "file"), field(form, "digest")), was, **chosen)
        return go_to(f"/pupil/{key}")

    return Route("/pupil/{key}/version", settle, methods=["POST"])


def folder_notice(studio: Studio) -> str:
    """What a page says of the studio's folder: not to be written to, or pupils in it that are not shown."""
    return " ".join(f"{sentence}." for sentence in (studio.trouble, *studio.astray()) if sentence)
