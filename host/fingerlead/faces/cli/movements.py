"""`fingerlead movements`: grace notes and embellishments, one of them with its fingers, and a card of it to print."""

import json
from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from fingering.movements import Movement, MovementError, Role, nearest_mask, own_repertoire, standard_repertoire
from fingering.notes import ABC_LETTERS, NOTES, note_index
from fingering.table import standard_table
from fingerlead.faces.cli.options import TextOrJson
from fingerlead.faces.cli.problem import Problem, problem_from, writing
from fingerlead.faces.sheet.piece import SheetError
from fingerlead.faces.sheet.sheets import staff_svg
from fingerlead.faces.strip_text import steps_text
from fingerlead.faces.templates import templates
from fingerlead.music.abc import parse_abc
from fingerlead.phrases import capital, listed, path_text
from fingerlead.store.files import write_output

SCHEMA = "fingerlead-movements-1"


def movements(
    name: Annotated[
        str | None,
        typer.Argument(metavar="NAME", help="A movement by its name. Without it, all by family.", show_default=False),
    ] = None,
    on: Annotated[
        str | None, typer.Option("--on", metavar="NOTE", help="Only on this melody note.", show_default=False)
    ] = None,
    after: Annotated[
        str | None, typer.Option("--after", metavar="NOTE", help="As it sounds after this one.", show_default=False)
    ] = None,
    own: Annotated[
        Path | None,
        typer.Option("--own", metavar="FILE", help="Movements of your own, a TOML file.", show_default=False),
    ] = None,
    card: Annotated[
        bool, typer.Option("--card", help="Write a card to print: staff, fingers, lengths, what to listen for.")
    ] = False,
    output: Annotated[
        Path, typer.Option("--output", "-o", help="The card to write: its name ends in .html or .pdf.")
    ] = Path("card.html"),
    paper: Annotated[Literal["a4", "letter"], typer.Option("--paper", help="The size of the card's paper.")] = "a4",
    format: TextOrJson = "text",
) -> None:
    """Show the grace notes and embellishments: their notes and fingers, how long each lasts, what to listen for."""
    with problem_from(MovementError):
        known = (standard_repertoire() if own is None else own_repertoire(own)).forms
    if name is None:
        if card or on is not None or after is not None:
            raise typer.BadParameter("name the movement that is wanted (`fingerlead movements` lists them)")
        told = [form_dict(one) for one in known]
        typer.echo(_json(told) if format == "json" else "\n".join(_list(known)))
        return
    before = None if after is None else _note(after)
    forms = _forms(name, known, None if on is None else _note(on), before)
    if card:
        with writing("the card", output):
            write_output(output, _card(forms, before, paper, output))
        typer.echo(f"The card is in {path_text(output)}: print it on {'A4' if paper == 'a4' else 'Letter'}.")
    elif format == "json":
        typer.echo(_json([form_dict(one) for one in forms]))
    else:
        typer.echo("\n".join(_whole(forms, before)))


def _note(text: str) -> int:
    try:
        return note_index(text)
    except ValueError as error:
        raise Problem(str(error)) from None


def _forms(name: str, known: Sequence[Movement], on: int | None, after: int | None) -> list[Movement]:
    """The forms of a name that fit between two melody notes, None for any; raises Problem where there is none."""
    wanted = " ".join(name.lower().split())
    named = [one for one in known if one.name.lower() == wanted]
    if not named:
        near = get_close_matches(wanted, sorted({one.name.lower() for one in known}), 3)
        hint = f"do you mean {listed(near, 'or')}?" if near else "`fingerlead movements` lists them"
        raise Problem(f"expected the name of a movement; got {name[:40]!r}: {hint}")
    forms = [one for one in named if on is None or one.on in (None, on)]
    if not forms:
        there = listed(list(dict.fromkeys(NOTES[one.on] for one in named if one.on is not None)))
        raise Problem(f"expected a melody note that the {named[0].name} leads to ({there}); got {NOTES[on or 0]}")
    if after is None:
        return forms
    forms = [one for one in forms if one.after in (None, after)]
    if not forms:
        there = listed(list(dict.fromkeys(NOTES[one.after] for one in named if one.after is not None)))
        raise Problem(f"expected a note that the {named[0].name} follows there ({there}); got {NOTES[after]}")
    # Where a form is for this note before it, that is the one to play.
    special = {one.on for one in forms if one.after is not None}
    return [one for one in forms if one.after is not None or one.on not in special]


def written(form: Movement, on: int | None = None) -> str:
    """A form as ABC has it: its grace notes in braces, and the melody note where there is one."""
    note = form.on if on is None else on
    return "{" + "".join(ABC_LETTERS[one] for one in form.notes) + "}" + ("" if note is None else ABC_LETTERS[note])


def heard(form: Movement, on: int, after: int | None) -> tuple[int, ...]:
    """The grace notes that are heard: none that sounds already, none that is the melody note itself."""
    notes = form.notes[form.notes[0] == after :]
    return notes[: len(notes) - (notes[-1:] == (on,))]


def fingers(form: Movement, on: int, after: int | None) -> list[int]:
    """The masks from the note before, where it is known, through the grace notes that are heard to the melody note."""
    standard = standard_table().standard
    masks = [] if after is None else [standard[after]]
    for place, note in enumerate(heard(form, on, after)):
        # The first is played with the fingers of the melody note, the others from where the fingers are.
        masks.append(nearest_mask(note, masks[-1] if place else standard[on], standard[on]))
    return [*masks, standard[on]]


def _shown_on(form: Movement, asked: int | None = None) -> int:
    """The melody note that a form is shown on: its own, or low A where it may be any."""
    return form.on if form.on is not None else (1 if asked is None else asked)


def _places(forms: Sequence[Movement]) -> str:
    if any(one.on is None for one in forms):
        return "any note"
    return listed([NOTES[note] for note in sorted({one.on for one in forms if one.on is not None})])


def _list(known: Sequence[Movement]) -> list[str]:
    families: dict[str, dict[str, list[Movement]]] = {}
    for one in known:
        families.setdefault(one.family, {}).setdefault(one.name, []).append(one)
    width = max(len(one.name) for one in known)
    lines = []
    for family, named in families.items():
        lines += [capital(family)]
        lines += [f"  {name:<{width}}  {written(forms[0]):<12}  on {_places(forms)}" for name, forms in named.items()]
        lines.append("")
    return [*lines, "Look at one with: fingerlead movements NAME (a card to print: --card -o card.html)"]


def _whole(forms: Sequence[Movement], after: int | None) -> list[str]:
    first = forms[0]
    lines = [f"{capital(first.name)} ({first.family})", ""]
    for form in forms:
        behind = "" if form.after is None else f", after {NOTES[form.after]}"
        place = "any note" if form.on is None else NOTES[form.on]
        sounds = listed([NOTES[note] for note in heard(form, _shown_on(form), after)]) or "nothing of its own"
        lines.append(f"  {written(form):<12}  on {place}{behind}: {sounds}")
    on = _shown_on(first)
    lines += ["", f"Fingers, on {NOTES[on]}", steps_text(fingers(first, on, after)), "", "Lengths, in ms"]
    rows = [("note", "skilled", "learner"), *((what, *(_range(one) for one in pair)) for what, *pair in _ranges(forms))]
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    lines += ["  " + "  ".join(f"{cell:<{w}}" for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows]
    lines += ["", f"Teachers listen for: {_faults(forms)}."]
    return [*lines, *(f"Source: {source}." for source in dict.fromkeys(one.source for one in forms))]


def _faults(forms: Sequence[Movement]) -> str:
    faults = list(dict.fromkeys(fault for one in forms for fault in one.faults))
    return listed(faults) or "nothing named for it"


def _roles(forms: Sequence[Movement]) -> list[tuple[Role, list[str]]]:
    """Each role once, with the notes that have it."""
    found: dict[Role, dict[str, None]] = {}
    for one in forms:
        for note, role in zip(one.notes, one.roles, strict=True):
            found.setdefault(role, {})[NOTES[note]] = None
    return [(role, list(notes)) for role, notes in found.items()]


def _ranges(forms: Sequence[Movement]) -> list[tuple[str, tuple[float, float], tuple[float, float]]]:
    return [
        (f"{role.name}: {listed(notes)}{' (alike)' if role.alike else ''}", role.skilled, role.learner)
        for role, notes in _roles(forms)
    ]


def _range(pair: tuple[float, float]) -> str:
    return f"{pair[0]:g} to {pair[1]:g}"


def form_dict(form: Movement) -> dict[str, Any]:
    """A form as the published JSON has it."""
    return {
        "name": form.name,
        "family": form.family,
        "on": None if form.on is None else NOTES[form.on],
        "after": None if form.after is None else NOTES[form.after],
        "notes": [
            {
                "note": NOTES[note],
                "role": role.name,
                "skilled_ms": list(role.skilled),
                "learner_ms": list(role.learner),
                "alike": role.alike,
                "source": role.source,
            }
            for note, role in zip(form.notes, form.roles, strict=True)
        ],
        "faults": list(form.faults),
        "source": form.source,
    }


def _json(forms: list[dict[str, Any]]) -> str:
    return json.dumps({"schema": SCHEMA, "movements": forms}, indent=2, ensure_ascii=False)


def _card(forms: Sequence[Movement], after: int | None, paper: str, output: Path) -> str | bytes:
    ending = output.suffix.lower()
    if ending not in (".html", ".pdf"):
        raise Problem(f"expected a card whose name ends in .html or .pdf; got {output}")
    shown = [(form, _shown_on(form)) for form in forms]
    bars = " | ".join(f"{written(form, on)}4" for form, on in shown)
    with problem_from(SheetError):
        staff = staff_svg(parse_abc(f"X:1\nT:card\nM:none\nL:1/4\nK:HP\n{bars} |]\n", "card")[0][0], letters="full")
    page = (
        templates("fingerlead.faces.cli")
        .get_template("movement.html")
        .render(
            name=capital(forms[0].name),
            paper="A4" if paper == "a4" else "letter",
            staff=staff,
            forms=[_shown(form, on, after) for form, on in shown],
            ranges=[(what, _range(skilled), _range(learner)) for what, skilled, learner in _ranges(forms)],
            faults=capital(_faults(forms)),
            sources=list(dict.fromkeys(one.source for one in forms)),
        )
    )
    if ending == ".html":
        return page
    from fingerlead.faces.report.paper import PdfError, to_pdf

    with problem_from(PdfError):
        return to_pdf(page)


def _shown(form: Movement, on: int, after: int | None) -> dict[str, Any]:
    """A form for the card: its title, and for each note its name and its holes from the thumb down."""
    masks = fingers(form, on, after)
    names = [*([] if after is None else [after]), *heard(form, on, after), on]
    behind = f", after {NOTES[form.after]}" if form.after is not None else ""
    title = (f"on any note (here {NOTES[on]})" if form.on is None else f"on {NOTES[on]}") + behind
    columns = [(NOTES[note], [mask >> hole & 1 for hole in range(8)]) for note, mask in zip(names, masks, strict=True)]
    return {"title": title, "columns": columns}
