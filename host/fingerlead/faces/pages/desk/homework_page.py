"""Homework for several pupils at once, as a page: for whom, what, and until when."""

from collections import Counter
from collections.abc import Collection, Sequence
from datetime import date
from typing import Any

from fingerlead.faces.pages.desk.pages import render
from fingerlead.faces.pages.desk.teaching import to_set
from fingerlead.faces.words import practised_words
from fingerlead.phrases import counted, day_words, listed
from fingerlead.studio import homework
from fingerlead.studio.homework import Homework
from fingerlead.studio.names import plain_name
from fingerlead.studio.needs import Need, needs
from fingerlead.studio.overview import Work
from fingerlead.studio.pupils import StudioError, new_key
from fingerlead.studio.studio import Studio

MOST_NAMED = 8


def homework_page(studio: Studio, today: date, ticked: Collection[str] = (), notice: str = "") -> str:
    """The form; `ticked` are the keys of pupils whose boxes are ticked, those of no pupil are passed over."""
    found = sorted(needs(studio, today), key=lambda need: plain_name(need.glance.pupil.name))
    mine = [need for need in found if need.glance.pupil.key in ticked]
    return render(
        "homework.html",
        ticked=[_row(need) for need in mine],
        others=[_row(need) for need in found if need not in mine],
        to_set=to_set(_shared_work(mine)),
        new_id=new_key(),
        notice=notice,
    )


def give_all(studio: Studio, keys: Sequence[str], set_now: Homework) -> str:
    """Set homework for several pupils, all of whom there are; in words what was done. Raises StudioError."""
    pupils = [studio.pupil(key) for key in dict.fromkeys(keys)]
    if not pupils:
        raise StudioError("expected at least one pupil to set homework for. Tick one")
    for number, pupil in enumerate(pupils):
        try:
            homework.keep(studio.of(pupil.key), set_now)
        except (OSError, StudioError) as error:
            why = (error.strerror or error) if isinstance(error, OSError) else error
            done = listed([each.name for each in pupils[:number]]) if number else "no pupil"
            raise StudioError(f"set for {done}, and not for {pupil.name} and those after: {why}") from None
    names = [pupil.name for pupil in pupils[:MOST_NAMED]]
    rest = len(pupils) - len(names)
    who = listed(names + ([f"{counted(rest, 'more pupil')}"] if rest else []))
    until = f", until {day_words(set_now.due)}" if set_now.due else ""
    return f"Set for {who}: {practised_words(set_now.pieces)}{until}."


def _row(need: Need) -> dict[str, Any]:
    pupil = need.glance.pupil
    return {"key": pupil.key, "name": pupil.name, "sign": need.sign}


def _shared_work(found: Collection[Need]) -> list[Work]:
    """What these pupils have to work on first, what most of them share before the rest."""
    works = [need.glance.first for need in found if need.glance.first]
    first, counts = {work.key: work for work in works}, Counter(work.key for work in works)
    return [first[what] for what, _ in counts.most_common()]
