"""`fingerlead heard`: from the ear alone, which finger went out of turn; and a card of all of it to print."""

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from fingering.diagnosis import Heard, Way, changes_with, explain_stray
from fingering.holes import FINGERS
from fingering.moves import advice, change_text, move, moves, possible_strays
from fingering.notes import NOTES, note_index
from fingerlead.faces.cli.options import TextOrJson
from fingerlead.faces.cli.problem import Problem, writing
from fingerlead.faces.templates import templates
from fingerlead.phrases import capital, counted, listed, path_text, small
from fingerlead.store.files import write_output

SCHEMA = "fingerlead-heard-1"
MOST_LISTED = 24  # orders that text lists one by one; JSON lists all of them


def heard(
    from_note: Annotated[
        str | None, typer.Argument(metavar="FROM", help="The note before.", show_default=False)
    ] = None,
    to_note: Annotated[str | None, typer.Argument(metavar="TO", help="The note after.", show_default=False)] = None,
    stray: Annotated[
        str | None,
        typer.Argument(
            metavar="STRAY", help="The note heard in between: a run, or crossing noise.", show_default=False
        ),
    ] = None,
    card: Annotated[
        Path | None, typer.Option("--card", metavar="FILE", help="Write a card of all changes to print, as HTML.")
    ] = None,
    format: TextOrJson = "text",
) -> None:
    """Tell from the ear alone which finger went out of turn: fingerlead heard "low G" B "low A"."""
    if card is not None:
        if from_note is not None:
            raise typer.BadParameter("give either three notes or --card FILE")
        with writing("the card", card):
            write_output(card, card_page())
        typer.echo(f"The card is in {path_text(card)}: open it and print it, on A4 or Letter.")
        return
    if from_note is None or to_note is None or stray is None:
        raise typer.BadParameter("expected three notes: FROM, TO and the stray note heard between (or --card FILE)")
    found = _found(*(_note(text) for text in (from_note, to_note, stray)))
    typer.echo(json.dumps(_as_dict(found), indent=2) if format == "json" else "\n".join(_lines(found)))


def _note(text: str) -> int:

    try:
        return note_index(text)
    except ValueError as error:
        hint = "; put a name of two words in quotes" if text.lower() in ("low", "high") else ""
        shown = str(error) if len(text) <= 40 else str(error).split("; got", 1)[0]
        raise Problem(shown + hint) from None


def _found(from_note: int, to_note: int, stray: int) -> Heard:
    if from_note == to_note:
        raise Problem(f"expected a change between two different notes; got {NOTES[from_note]} twice")
    if stray in (from_note, to_note):
        raise Problem(f"expected a third note as the stray; {NOTES[stray]} is one of the two notes of the change")
    found = explain_stray(from_note, to_note, stray)
    if found is None:
        raise Problem(_impossible(from_note, to_note, stray))
    return found


def _impossible(from_note: int, to_note: int, stray: int) -> str:
    """Why not, and what can sound here, and what a stray like this one comes from."""
    told = (
        f"{NOTES[stray]} cannot sound between {NOTES[from_note]} and {NOTES[to_note]}, in whatever order the fingers go"
    )
    can = [NOTES[note] for note in sorted(possible_strays(from_note, to_note))]
    told += f": only {listed(can, 'or')} can" if can else ": no other note can"
    sources = changes_with(stray)
    near = [pair for pair in sources if pair[0] == from_note or pair[1] == to_note]
    if near:
        return f"{told}; it can from {listed([change_text(*pair) for pair in near], 'or')}"
    if not sources:
        return f"{told}; {NOTES[stray]} sounds between no two other notes: listen again, or look for a slipped finger"
    return f"{told}; listen again, or look for a finger that has no part in the change and moved all the same"


def why_text(found: Heard) -> str:
    """`the bottom little finger went before the bottom ring`."""
    every = "all " if len(found.early) > 1 else ""
    return f"{_fingers(found.early, True)} {every}went before {_fingers(found.late)}"


def _lines(found: Heard) -> list[str]:
    change = move(found.from_note, found.to_note)
    lines = [
        f"{capital(change_text(found.from_note, found.to_note))}, {NOTES[found.stray]} heard between:",
        f"  {capital(why_text(found))}.",
        f"  Instead: {small(advice(found.from_note, found.to_note))}",
    ]
    if change.orders == 2:
        return lines
    free = f" ({_fingers(found.free)} at any time)" if found.free else ""
    lines += [
        "",
        f"{found.orders} of the {change.orders} orders of these {len(change.fingers)} fingers do this{free}. "
        "By all that sounds in between:",
    ]
    for way in found.ways:
        lines += _way_lines(way, found)
    if found.orders > MOST_LISTED:
        lines += ["", "One order of each is shown; --format json lists them all."]
    return lines


def _way_lines(way: Way, found: Heard) -> list[str]:
    sounds = ", then ".join(NOTES[note] for note in way.sounds)
    alone = " alone" if len(way.sounds) == 1 else ""
    shown = way.orders if found.orders <= MOST_LISTED else way.orders[:1]
    orders = (", ".join(FINGERS[finger] for finger in order) for order in shown)
    return [f"  {sounds}{alone}: {counted(len(way.orders), 'order')}", *(f"    {order}" for order in orders)]


def _as_dict(found: Heard) -> dict[str, Any]:
    def fingers(them: tuple[int, ...]) -> list[str]:
        return [FINGERS[finger] for finger in them]

    return {
        "schema": SCHEMA,
        "from": NOTES[found.from_note],
        "to": NOTES[found.to_note],
        "stray": NOTES[found.stray],
        "because": why_text(found),
        "advice": advice(found.from_note, found.to_note),
        "early": fingers(found.early),
        "late": fingers(found.late),
        "at_any_time": fingers(found.free),
        "orders": found.orders,
        "of_orders": move(found.from_note, found.to_note).orders,
        "ways": [
            {"sounds": [NOTES[note] for note in way.sounds], "orders": [fingers(order) for order in way.orders]}
            for way in found.ways
        ],
    }


def _fingers(fingers: tuple[int, ...], noun: bool = False) -> str:
    """`the bottom little finger`, `the bottom ring and bottom little fingers`; the thumb is no finger."""
    names = [FINGERS[finger] for finger in fingers]
    word = "" if not noun or fingers == (0,) else " finger" if len(names) == 1 else " fingers"
    return f"the {listed(names)}{word}"


def card_page() -> str:
    """One self-contained HTML page, black on white, for two sides of A4 or Letter."""
    card = {
        name: [
            (NOTES[move.to_note], [explain_stray(from_note, move.to_note, stray) for stray in move.possible_strays])
            for move in moves()
            if move.from_note == from_note and move.possible_strays
        ]
        for from_note, name in enumerate(NOTES)
    }
    return templates("fingerlead.faces.cli").get_template("card.html").render(card=card, notes=NOTES, short=_short)


def _short(fingers: tuple[int, ...]) -> str:
    """`bottom index, middle, ring`: each hand named once."""
    parts: list[str] = []
    hand = ""
    for finger in fingers:
        of_hand, _, name = FINGERS[finger].rpartition(" ")
        parts.append(name if of_hand == hand else FINGERS[finger])
        hand = of_hand
    return ", ".join(parts)
