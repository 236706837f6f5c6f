"""What may be saved over what is stored: each field from the side that changed it, and where both did, a question.

A form says what it was filled from. A field that only one side has changed since then is that side's; where both have,
and not to the same, nothing is written and the teacher chooses between the two.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass

from fingerlead.studio.pupils import Pupil, StudioError, tidy

# What a form may change, and its empty value.
EDITABLE = {"name": "", "hand_on_top": "left", "chanter": "", "note": ""}
STALE = "this has been changed since by another page or program. Nothing is lost: choose what to keep"


@dataclass(frozen=True, slots=True)
class Merged:
    """Two versions of some fields in one. `clashes` are the fields that both have changed: of each, yours is in
    `fields` and what is stored in `stored`.
    """

    fields: dict[str, str]
    stored: dict[str, str]
    clashes: tuple[str, ...]


class StaleError(StudioError):
    """A save that is older than what is stored, in a field that both have changed; nothing was written.

    `hidden` is what the form is to say, without showing it, when it is sent again.
    """

    def __init__(self, merged: Merged, hidden: Mapping[str, str]) -> None:
        super().__init__(STALE)
        self.merged, self.hidden = merged, dict(hidden)


def fields_of(pupil: Pupil) -> dict[str, str]:
    """What a form may change of a pupil."""
    return {field: getattr(pupil, field) for field in EDITABLE}


def merge(
    was: Mapping[str, str], yours: Mapping[str, str], stored: Mapping[str, str], empty: Mapping[str, str] = EDITABLE
) -> Merged:
    """Your version of some fields and the stored one, both of them from what `was`; what is missing is `empty`."""
    fields, clashes = {}, []
    for field, none in empty.items():
        before, mine, theirs = (
            tidy(side.get(field, other), lines=field == "note")
            for side, other in ((was, none), (yours, stored.get(field, none)), (stored, none))
        )
        fields[field] = theirs if mine == before else mine
        if before not in (mine, theirs) and mine != theirs:
            clashes.append(field)
    return Merged(fields, dict(stored), tuple(clashes))


def read_fields(text: str) -> dict[str, str]:
    """The fields in a text as `write_fields` makes it; of another text none."""
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    pairs = found.items() if isinstance(found, dict) else ()
    return {field: value for field, value in pairs if field in EDITABLE and isinstance(value, str)}


def write_fields(fields: Mapping[str, str]) -> str:
    """Some fields as a text for a form to carry."""
    return json.dumps(dict(fields), ensure_ascii=False)
