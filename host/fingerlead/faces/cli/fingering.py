"""`fingerlead fingering` and `fingerlead moves`: the fingering table, and the 72 changes between its notes."""

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from fingering.holes import FINGERS, HolesError, from_text, to_text
from fingering.moves import Move
from fingering.moves import moves as all_moves
from fingering.notes import NOTES, note_index
from fingering.table import Table, TableError, load_table, standard_table
from fingerlead.faces.cli.options import TextOrJson
from fingerlead.faces.cli.problem import Problem, problem_from
from fingerlead.phrases import listed

FINGERING_SCHEMA = "fingerlead-fingering-1"
MOVES_SCHEMA = "fingerlead-moves-1"


def fingering(
    what: Annotated[
        str | None,
        typer.Argument(
            metavar="[MASK|NOTE]",
            help="Eight letters from the thumb down, x covered and o open (low A is xxxxxxxo), or the name of a note.",
            show_default=False,
        ),
    ] = None,
    table: Annotated[
        Path | None, typer.Option("--table", metavar="FILE", help="Your own fingering table, a TOML file.")
    ] = None,
    alternates: Annotated[
        bool, typer.Option("--alternates", help="Take in the table of alternate fingerings.")
    ] = False,
    format: TextOrJson = "text",
) -> None:
    """Show the fingerings of the nine notes, or what a pattern of covered holes sounds and how right it is."""
    chosen = _table(table, alternates)
    rows = sorted(chosen.rows, key=lambda row: (row.note, row.kind != "standard"))
    entries = [_entry(row.note, row.covered_mask, row.kind, row.name, (), row.source) for row in rows]
    if what is not None:
        entries = _asked(what, chosen, entries)
    told = {"schema": FINGERING_SCHEMA, "table": chosen.name, "fingerings": entries}
    typer.echo(json.dumps(told, indent=2) if format == "json" else "\n".join(_lines(entries)))


def _table(path: Path | None, alternates: bool) -> Table:
    if path is None:
        return standard_table(alternates)
    if alternates:
        raise typer.BadParameter("give either --table or --alternates; your own table can hold alternates itself")
    with problem_from(TableError):
        return load_table(path)


def _entry(note: int, mask: int, kind: str, name: str, wrong: tuple[int, ...], source: str | None) -> dict[str, Any]:
    return {
        "note": NOTES[note],
        "holes": to_text(mask),
        "fingering": kind,
        "name": name,
        "wrong_fingers": [FINGERS[finger] for finger in wrong],
        "source": source,
    }


def _asked(what: str, table: Table, entries: list[dict[str, Any]]) -> list[dict[str, Any]]:
    try:
        mask = from_text("".join(what.split()).lower())
    except HolesError:
        try:
            note = NOTES[note_index(what)]
        except ValueError:
            shown = what if len(what) <= 40 else what[:40] + "…"
            raise Problem(
                "expected eight letters, x for covered and o for open, from the thumb down (low A is xxxxxxxo), "
                f"or a note ({', '.join(NOTES)}); got {shown!r}"
            ) from None
        return [entry for entry in entries if entry["note"] == note]
    verdict = table.verdict(mask)
    source = next((row.source for row in table.rows if row.covered_mask == mask), None)
    return [_entry(verdict.note, mask, verdict.fingering, verdict.name, verdict.wrong_fingers, source)]


def _lines(entries: list[dict[str, Any]]) -> list[str]:
    if len(entries) == 1:
        return _sentence(entries[0])
    lines = ["note    thumb and top hand | bottom hand   fingering"]
    for entry in entries:
        holes = " ".join(entry["holes"][:4]) + " | " + " ".join(entry["holes"][4:])
        named = "" if entry["name"] == entry["note"] else f": {entry['name']}"
        lines.append(f"{entry['note']:<7} {holes:^34}   {entry['fingering']}{named}".rstrip())
    return [*lines, "", "x covered, o open, from the thumb down. The topmost open hole names the note."]


def _sentence(entry: dict[str, Any]) -> list[str]:
    holes = entry["holes"]
    how = {
        "standard": ": the standard fingering",
        "alternate": f": an alternate fingering, {entry['name']}",
        "grace": f": the {entry['name']}",
        "false": f", by a false fingering: {_cure(holes, entry['wrong_fingers'])}",
    }
    lines = [f"{holes} sounds {entry['note']}{how[entry['fingering']]}."]
    if holes == "oooooooo":
        lines.append("With all eight open the hands are off the chanter; that is never taken for a note.")
    return lines if entry["source"] is None else [*lines, f"Source: {entry['source']}."]


def _cure(holes: str, wrong: list[str]) -> str:
    parts = []
    for letter, wanted in (("o", "covered"), ("x", "open")):
        fingers = [f"the {finger}" for finger in wrong if holes[FINGERS.index(finger)] == letter]
        if fingers:
            parts.append(f"{listed(fingers)} should be {wanted}")
    return ", ".join(parts)


def moves(
    format: TextOrJson = "text",
) -> None:
    """Show, for each of the 72 changes, the fingers that must lead and follow so that no third note sounds."""
    found = all_moves()
    told = {"schema": MOVES_SCHEMA, "moves": [as_dict(move) for move in found]}
    typer.echo(json.dumps(told, indent=2) if format == "json" else as_text(found))


def as_dict(move: Move) -> dict[str, Any]:
    """One change as the published JSON has it: notes and fingers by name."""
    return {
        "from": NOTES[move.from_note],
        "to": NOTES[move.to_note],
        "way": move.way,
        "fingers": len(move.fingers),
        "orders": move.orders,
        "stray_free_orders": move.stray_free_orders,
        "before": [[FINGERS[first], FINGERS[then]] for first, then in move.before],
        "must_lead": [] if move.must_lead is None else [FINGERS[move.must_lead]],
        "must_follow": [] if move.must_follow is None else [FINGERS[move.must_follow]],
        "possible_strays": [NOTES[note] for note in move.possible_strays],
        "difficulty": round(move.difficulty, 3),
    }


def as_text(found: tuple[Move, ...]) -> str:
    """The table for people, in the order of the notes."""
    head = ("change", "way", "fingers", "clean orders", "must lead", "must follow", "can sound between", "difficulty")
    rows = [
        (
            f"{NOTES[move.from_note]} to {NOTES[move.to_note]}",
            move.way,
            str(len(move.fingers)),
            f"{move.stray_free_orders} of {move.orders}",
            "-" if move.must_lead is None else FINGERS[move.must_lead],
            "-" if move.must_follow is None else FINGERS[move.must_follow],
            ", ".join(NOTES[note] for note in move.possible_strays) or "nothing",
            f"{move.difficulty:.1f}",
        )
        for move in found
    ]
    numbers = {2, 3, 7}
    widths = [max(len(row[column]) for row in (head, *rows)) for column in range(len(head))]

    def line(row: tuple[str, ...]) -> str:
        cells = (
            text.rjust(width) if column in numbers else text.ljust(width)
            for column, (text, width) in enumerate(zip(row, widths, strict=True))
        )
        return "  ".join(cells).rstrip()

    return "\n".join([line(head), *map(line, rows), "", *_LEGEND])


_LEGEND = (
    "Clean orders: the orders of the fingers in which no third note sounds. Must lead, must follow: first, last in all",
    "of those. Can sound between: the stray notes, runs in a one-way change, crossing noise in a crossing. Difficulty:",
    "expected milliseconds of a stray, and more for false fingerings, further fingers and fingers against the rest of",
    "their hand, with an assumed finger scatter of 12 ms.",
)
