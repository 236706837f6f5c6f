"""`fingerlead moves`: the 72 changes between two notes, and which finger has to lead so that no third note sounds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

if TYPE_CHECKING:
    from fingering.moves import Move

SCHEMA = "fingerlead-moves-1"


def moves(
    format: Annotated[Literal["text", "json"], typer.Option("--format", help="How to print.")] = "text",
) -> None:
    """Show, for each of the 72 changes, the fingers that must lead and follow so that no third note sounds."""
    from fingering.moves import moves as all_moves

    found = all_moves()
    if format == "json":
        import json

        typer.echo(json.dumps({"schema": SCHEMA, "moves": [as_dict(move) for move in found]}, indent=2))
    else:
        typer.echo(as_text(found))


def as_dict(move: Move) -> dict[str, Any]:
    """One change as the published JSON has it: notes and fingers by name."""
    from fingering.holes import FINGERS
    from fingering.notes import NOTES

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
    from fingering.holes import FINGERS
    from fingering.notes import NOTES

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
    "of those. Difficulty: expected milliseconds of a third note, and more for false fingerings, further fingers and",
    "fingers against the rest of their hand, with an assumed finger scatter of 12 ms.",
)
