"""What the tests of faces share."""

from __future__ import annotations

import pytest

from fingerlead.faces.report import against, staff
from fingerlead.faces.sheet.piece import SheetError


def refuse(*_, **__):
    raise SheetError("no engraving here")


@pytest.fixture(scope="module")
def no_staves():
    """The music of invented pupils is a row of notes: engraving it takes seconds, and is tested elsewhere."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(against, "staff_svg", refuse)
        yield


@pytest.fixture(scope="module", autouse=True)
def no_little_staff():
    """Reports name their notes in words: LilyPond takes seconds, and its staff has a test of its own."""

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(staff, "staff_svg", refuse)
        staff._engraved.cache_clear()
        yield
    staff._engraved.cache_clear()
