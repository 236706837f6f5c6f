"""A card to print: every change in which a third note can sound, what is heard, and which finger went out of turn."""

from __future__ import annotations

from html import escape

from fingering.heard import Heard, heard
from fingering.holes import FINGERS
from fingering.moves import moves
from fingering.notes import NOTES


def card_page() -> str:
    """One self-contained HTML page, black on white, for two sides of A4 or Letter."""
    blocks = []
    for from_note, name in enumerate(NOTES):
        rows = [
            _rows(
                move.to_note,
                [found for stray in move.possible_strays if (found := heard(from_note, move.to_note, stray))],
            )
            for move in moves()
            if move.from_note == from_note and move.possible_strays
        ]
        blocks.append(
            f"<section><h2>From {escape(name)}</h2><table><thead><tr><th>from {escape(name)} to</th><th>you hear</th>"
            f"<th>what went too early</th></tr></thead>{''.join(rows)}</table></section>"
        )
    return _PAGE.replace("BLOCKS", "\n".join(blocks))


def _rows(to_note: int, strays: list[Heard]) -> str:
    rows = []
    for place, found in enumerate(strays):
        head = f'<th scope="rowgroup" rowspan="{len(strays)}">{escape(NOTES[to_note])}</th>' if place == 0 else ""
        rows.append(
            f"<tr>{head}<td>{escape(NOTES[found.stray])}</td>"
            f"<td>{_short(found.early)} <i>before</i> {_short(found.late)}</td></tr>"
        )
    return f"<tbody>{''.join(rows)}</tbody>"


def _short(fingers: tuple[int, ...]) -> str:
    """`bottom index, middle, ring`: each hand named once."""
    parts: list[str] = []
    hand = ""
    for finger in fingers:
        of_hand, _, name = FINGERS[finger].rpartition(" ")
        parts.append(name if of_hand == hand else FINGERS[finger])
        hand = of_hand
    return ", ".join(parts)


_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>What you hear, and which finger it was</title>
<style>
@page { margin: 11mm }
:root { color-scheme: light }
body { font: 10.5pt/1.35 system-ui, sans-serif; color: #000; background: #fff; max-width: 62rem; margin: 1rem auto;
  padding: 0 1rem }
h1 { font-size: 1.45em; margin: 0 0 .2em } h2 { font-size: 1.1em; margin: 0 0 .15em }
p { margin: 0 0 .7em; max-width: 46em }
main { columns: 24rem 2; column-gap: 1.6rem }
section { margin: 0 0 .8em }
h2, thead { break-after: avoid } tbody { break-inside: avoid }
table { border-collapse: collapse; width: 100% }
th, td { text-align: left; vertical-align: top; padding: .06em .5em .06em 0; font-weight: normal }
thead th { font-style: italic; border-bottom: 1px solid #000; white-space: nowrap }
tbody th { font-weight: bold; white-space: nowrap; width: 7.2em }
td:nth-last-child(2) { white-space: nowrap; width: 4.8em }
tbody { border-bottom: 1px solid #999 }
@media print {
  body { font-size: 7.6pt; line-height: 1.2; margin: 0; padding: 0; max-width: none }
  main { columns: 2 }
}
</style></head><body>
<h1>What you hear, and which finger it was</h1>
<p>A third note between two notes says which finger went out of turn. Find the note you come from, the note you go to,
and the note you heard in between. Where several fingers stand before the word <i>before</i>, all of them went before
all that stand after it; other fingers of the change may have gone at any time. Worked out from the standard
fingerings: the topmost open hole names the note. Changes that can sound no third note are not on the card.</p>
<main>
BLOCKS
</main></body></html>
"""
