"""The desk's first page: all pupils, who needs the teacher first, searched, filtered and a page at a time."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any
from urllib.parse import urlencode

from markupsafe import Markup

from fingerlead.faces.pages.desk import words as say
from fingerlead.faces.pages.desk.forms import page_asked
from fingerlead.faces.pages.desk.pages import render, style
from fingerlead.faces.pages.desk.turns import passed_shown
from fingerlead.faces.pages.desk.versions import folder_notice
from fingerlead.faces.words import practised_words
from fingerlead.phrases import capital, counted, day_words, small
from fingerlead.studio import pupils as folders
from fingerlead.studio.homework import Piece
from fingerlead.studio.names import named
from fingerlead.studio.needs import Group, Need, needs
from fingerlead.studio.overview import by_fault
from fingerlead.studio.round import Round
from fingerlead.studio.studio import Studio

A_PAGE = 24
# Letters of a question.
LONGEST_SHOWN = 80
GROUPS: dict[str, Group] = {"needs": "needs you", "well": "doing well", "away": "did not play"}


@dataclass(frozen=True, slots=True)
class View:
    """What is looked at: a name to find, one group alone (a key of GROUPS), by need or by "fault", and which page."""

    find: str = ""
    show: str = ""
    by: str = ""
    page: int = 1

    @property
    def address(self) -> str:
        """Where this is looked at."""
        query = {"find": self.find, "show": self.show, "by": self.by, "page": self.page if self.page > 1 else ""}
        told = urlencode({name: value for name, value in query.items() if value})
        return f"/?{told}" if told else "/"


def view_in(query: Any) -> View:
    """What the query of an address asks for, whatever stands in it."""
    find, show, by = folders.tidy(query.get("find", ""))[: folders.LONGEST_NAME], query.get("show"), query.get("by")
    return View(find, show if show in GROUPS else "", "fault" if by == "fault" else "", page_asked(query))


def first_page(studio: Studio, today: date, view: View, passed: Round | None = None) -> str:
    """The pupils who are looked at, and who has the chanter, if it is passed round."""
    found = needs(studio, today)
    wanted = named((need.glance.pupil for need in found), view.find)
    chosen = [
        need for need in found if need.glance.pupil.key in wanted and need.group == GROUPS.get(view.show, need.group)
    ]
    parts = _by_fault(chosen) if view.by else [(need.group, need) for need in chosen]
    pages = max(1, -(-len(parts) // A_PAGE))
    view = replace(view, page=min(view.page, pages))
    shown = parts[(view.page - 1) * A_PAGE : view.page * A_PAGE]
    return render(
        "glance.html",
        groups=_grouped(shown, today),
        view=view,
        filters=_filters(found, view),
        found=len(parts),
        all=len(found),
        pages=pages,
        before=replace(view, page=view.page - 1).address if view.page > 1 else "",
        after=replace(view, page=view.page + 1).address if view.page < pages else "",
        today=day_words(today.isoformat()),
        passed=None if passed is None else passed_shown(studio, passed),
        notice=folder_notice(studio),
    )


def printed_glance(studio: Studio, today: date, since: str = "") -> str:
    """All pupils as one page that holds its own style, for paper; since an ISO day, or each one's last lesson."""
    groups = _grouped([(need.group, need) for need in needs(studio, today, since)], today)
    return render("printed.html", groups=groups, today=day_words(today.isoformat()), style=Markup(style()))


def need_sentence(need: Need, today: date) -> str:
    """Why a pupil stands where they stand, in one sentence."""
    glance, due = need.glance, _due_words(need.untouched, today)
    if need.reason == "away":
        last = "Has not played yet" if need.last is None else f"Last played on {day_words(need.last)}"
        unread = _unread(need) if glance.problems else ""
        return f"{'; '.join(filter(None, (last, small(due), unread)))}."
    if need.reason == "asked":
        what = need.asked[0].asked
        told = f"Asked you something: “{_short(what)}”" if what else "Sent you a passage"
        return f"{told}; {say.work_clause(glance)}." if glance.sessions else f"{told}."
    if need.reason == "untouched":
        return f"{due}; {say.work_clause(glance)}."
    if need.reason == "unread":
        return f"{capital(_unread(need))}; {say.work_clause(glance)}."
    return say.glance_sentence(glance)


def _short(text: str) -> str:
    line = " ".join(text.split())
    return line if len(line) <= LONGEST_SHOWN else f"{line[: LONGEST_SHOWN - 1]}…"


def _due_words(untouched: Sequence[Piece], today: date) -> str:
    if not untouched:
        return ""
    day = min(piece.of.due for piece in untouched)
    due = "today" if day == today.isoformat() else day_words(day)
    return f"Homework untouched, due {due}: {practised_words(piece.key for piece in untouched)}"


def _unread(need: Need) -> str:
    return f"{counted(need.glance.problems, 'file')} cannot be read"


def _by_fault(found: Iterable[Need]) -> list[tuple[str, Need]]:
    by_key = {need.glance.pupil.key: need for need in found}
    groups = by_fault(need.glance for need in by_key.values())
    return [(say.shared_fault_name(fault), by_key[one.pupil.key]) for fault, group in groups for one in group]


def _grouped(parts: Iterable[tuple[str, Need]], today: date) -> list[dict[str, Any]]:
    groups: dict[str, list[dict[str, Any]]] = {}
    for name, need in parts:
        groups.setdefault(capital(name), []).append(_row(need, today))
    return [{"name": name, "pupils": rows} for name, rows in groups.items()]


def _row(need: Need, today: date) -> dict[str, Any]:
    glance, due = need.glance, _due_words(need.untouched, today)
    return {
        "key": glance.pupil.key,
        "name": glance.pupil.name,
        "sign": need.sign,
        "sentence": need_sentence(need, today),
        "beside": due if need.reason in ("asked", "worse") else "",
        "days": glance.days,
        "since": day_words(glance.since),
        "minutes": round(glance.playing_us / 60_000_000),
        "problems": _unread(need) if glance.problems and need.reason not in ("unread", "away") else "",
        "state": {"needs you": "work", "doing well": "well", "did not play": "away"}[need.group],
    }


def _filters(found: Sequence[Need], view: View) -> list[dict[str, Any]]:
    """All, and each group, with how many there are; where to look at it."""
    counts = {"": len(found)} | {show: sum(need.group == name for need in found) for show, name in GROUPS.items()}
    return [
        {
            "name": capital(GROUPS[show]) if show else "All",
            "count": count,
            "address": View(show=show, by=view.by).address,
            "here": show == view.show and not view.find,
        }
        for show, count in counts.items()
    ]
