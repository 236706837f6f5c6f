"""`fingerlead ladder`: the graded exercises from the bottom up, one of them whole, or its music as ABC."""

import json
from typing import Annotated, Any, Literal

import typer

from fingering.holes import FINGERS
from fingering.ladder import LEVELS, find_rung, places
from fingering.moves import advice, change_text, order
from fingering.notes import NOTES
from fingering.orders import comes_first, every_rung, opened_by
from fingering.rungs import Rung
from fingering.steps import steps_words
from fingering.tunes import EasyTune, easy_tunes, embellished
from fingerlead.faces.cli.options import RungsFile, TextOrJson
from fingerlead.faces.cli.problem import Problem
from fingerlead.faces.cli.tunes import easy_tune_of, rungs_from
from fingerlead.phrases import capital

SCHEMA = "fingerlead-ladder-1"
Kind = Literal["derived", "taught", "own"]


def ladder(
    rung: Annotated[
        str | None,
        typer.Argument(
            metavar="RUNG|TUNE",
            help="A rung by its key (low-a-e) or its number, or an easy tune by its key. Without it, the whole ladder.",
            show_default=False,
        ),
    ] = None,
    abc: Annotated[bool, typer.Option("--abc", help="Print the music alone, as ABC.")] = False,
    scatter: Annotated[
        Literal["calm", "usual", "shaky"] | None,
        typer.Option(
            "--scatter",
            help="How far the fingers scatter (assumed), which decides the derived order; usual without it.",
            show_default=False,
        ),
    ] = None,
    order: Annotated[
        Literal["taught", "derived"] | None,
        typer.Option(
            "--order",
            help="As it is often taught, which is the usual one; or derived from the changes' geometry.",
            show_default=False,
        ),
    ] = None,
    rungs: RungsFile = None,
    format: TextOrJson = "text",
) -> None:
    """Show the graded exercises: what each trains, how its fingers should move, its music, how it is passed."""
    order = order or ("taught" if scatter is None else "derived")
    scatter = scatter or "usual"
    found = rungs_from(rungs, scatter, order)
    tunes = [tune for tune in easy_tunes() if opened_by(tune, found)]
    kind: Kind = "own" if rungs is not None else order
    if rung is None:
        chosen: list[Rung | EasyTune] = [*found, *tunes]
        text = "\n".join(_list(found, tunes, scatter, kind))
    else:
        one = _chosen(rung, found, tunes, kind)
        chosen = [one]
        text = "\n".join(_whole(one, found, tunes))
    if abc:
        typer.echo("\n".join(each.abc for each in chosen), nl=False)
    elif format == "json":
        typer.echo(json.dumps(_as_dict(chosen, found, kind, scatter), indent=2, ensure_ascii=False))
    else:
        typer.echo(text)


def _chosen(text: str, found: tuple[Rung, ...], tunes: list[EasyTune], kind: Kind) -> Rung | EasyTune:
    try:
        return easy_tune_of(text, tunes) or find_rung(found, text, () if kind == "own" else every_rung().values())
    except ValueError as error:
        raise Problem(f"{error}; `fingerlead ladder` lists them all") from None


_HEADS = {
    "one note": "One note",
    "one hand": "One hand, all fingers the same way",
    "both hands": "Both hands, all fingers the same way",
    "crossing": "Crossings: some fingers down while others come up",
    "embellishment": "Embellishments, by families",
}


def _list(found: tuple[Rung, ...], tunes: list[EasyTune], scatter: str, kind: Kind) -> list[str]:
    others = [level for level in ("calm", "usual", "shaky") if level != scatter] if kind == "derived" else []
    width = max(len(rung.key) for rung in found)
    head = "".join(f"{level:>7}" for level in others)
    lines = [f"{'':4}{'rung':<{width}}  {'difficulty':>10}{head}"]
    for number, rung in enumerate(found, 1):
        if kind != "own" and (number == 1 or rung.group != found[number - 2].group):
            lines += ["", _HEADS[rung.group]]
        there = {} if rung.movements or not others else places(rung.key)
        moved = "".join(f"{'' if there.get(level) in (None, number) else there[level]:>7}" for level in others)
        hard = "" if rung.movements else f"{rung.difficulty:.1f}"
        lines.append(f"{number:>2}  {rung.key:<{width}}  {hard:>10}{moved}".rstrip())
        lines += [f"      tune: {tune.title} ({tune.key})" for tune in tunes if opened_by(tune, found)[-1] == rung]
    return [*lines, "", *_legend(scatter, kind)]


def _legend(scatter: str, kind: Kind) -> list[str]:
    levels = ", ".join(f"{level} {us // 1_000} ms" for level, us in LEVELS.items())
    told: dict[Kind, list[str]] = {
        "own": ["The rungs are yours, in the order of your file."],
        "taught": ["The order is by hands, as it is often taught (common practice, no source)."],
        "derived": [
            f"The order is for {scatter} fingers. How far fingers scatter is assumed, not measured: {levels}.",
            "The two columns after the difficulty say where a rung stands at the other levels, if elsewhere.",
        ],
    }
    return [
        *told[kind],
        "Difficulty: expected milliseconds of a third note, and more for false fingerings, further fingers and",
        "fingers against the rest of their hand.",
        "Look at one with: fingerlead ladder RUNG (its music alone: --abc)",
    ]


def _whole(one: Rung | EasyTune, found: tuple[Rung, ...], tunes: list[EasyTune]) -> list[str]:
    if not isinstance(one, Rung):
        opens = ", ".join(rung.key for rung in opened_by(one, found))
        return [f"{one.title}: a tune for players who have got as far as {opens}.", "", one.abc.rstrip()]
    number = f"{found.index(one) + 1}. " if one in found else ""
    lines = [f"{number}{capital(one.name)} ({one.key})", capital(one.trains), ""]
    lines += _fingers(one)
    names = {rung.key: rung.name for rung in (*found, *every_rung().values())}
    if one.mixes:
        lines.append(f"Mixed in: {'; '.join(names[key] for key in one.mixes)}.")
    if one.movements:
        lines.append(f"First: {'; '.join(rung.name for rung in comes_first(one, found, set()))}.")
    lines.append(f"Passed: {one.passed}")
    lines += [f"Tune: {tune.title} ({tune.key})" for tune in tunes if opened_by(tune, found)[-1] == one]
    return [*lines, "", one.abc.rstrip()]


def _fingers(one: Rung) -> list[str]:
    """The order of fingers, for each change or embellishment."""
    lines = []
    if one.movements:
        for played in embellished(one.abc, one.movements):
            lines.append(f"{capital(played.movement)} on {NOTES[played.to_note]}:")
            lines.append(f"  {steps_words(played.from_note, played.graces, played.to_note)}")
        return [*lines, ""]
    for head, changes in (("Out", one.out), ("Back", one.back)):
        for change in changes:
            lines += [f"{head}, {change_text(*change)}:", f"  {advice(*change)}"]
    return [*lines, ""] if lines else []


def _as_dict(chosen: list[Any], found: tuple[Rung, ...], kind: Kind, scatter: str) -> dict[str, Any]:
    told: dict[str, Any] = {"schema": SCHEMA}
    if kind != "own":
        told["order"] = kind
    if kind == "derived":
        told["scatter"] = {"level": scatter, "scatter_us": LEVELS[scatter], "source": "assumed"}
    told["rungs"] = [_rung(each, found, kind) for each in chosen if isinstance(each, Rung)]
    told["tunes"] = [
        {
            "key": each.key,
            "title": each.title,
            "rungs": [rung.key for rung in opened_by(each, found)],
            "abc": each.abc,
        }
        for each in chosen
        if not isinstance(each, Rung)
    ]
    return told


def _rung(rung: Rung, found: tuple[Rung, ...], kind: Kind) -> dict[str, Any]:
    about = {"movements": list(rung.movements), "needs": list(rung.needs), "tempo_ratio": rung.tempo}
    return {
        "key": rung.key,
        "number": found.index(rung) + 1 if rung in found else None,
        **({"places": places(rung.key)} if kind == "derived" and not rung.movements and rung in found else {}),
        "name": rung.name,
        "notes": [NOTES[note] for note in rung.notes],
        "group": rung.group,
        "difficulty": round(rung.difficulty, 3),
        "trains": rung.trains,
        "out": [_change(*change) for change in rung.out],
        "back": [_change(*change) for change in rung.back],
        **(about if rung.movements else {}),
        "mixes": list(rung.mixes),
        "passed": rung.passed,
        "abc": rung.abc,
    }


def _change(from_note: int, to_note: int) -> dict[str, Any]:
    return {
        "from": NOTES[from_note],
        "to": NOTES[to_note],
        "order": [[FINGERS[finger] for finger in group] for group in order(from_note, to_note)],
        "advice": advice(from_note, to_note),
    }
