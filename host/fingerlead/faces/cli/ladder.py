"""`fingerlead ladder`: the graded exercises from the bottom up, one of them whole, or its music as ABC."""

import json
from typing import Annotated, Any, Literal

import typer

from fingering.holes import FINGERS
from fingering.ladder import LEVELS, find_rung, places
from fingering.moves import advice, change_text, order
from fingering.notes import NOTES
from fingering.rungs import DAYS_SOURCE, Rung, days_text
from fingering.tunes import EasyTune, easy_tunes
from fingerlead.faces.cli.options import RungsFile, TextOrJson
from fingerlead.faces.cli.problem import Problem
from fingerlead.faces.cli.tunes import easy_tune_of, rungs_from
from fingerlead.phrases import capital

SCHEMA = "fingerlead-ladder-1"


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
        Literal["calm", "usual", "shaky"],
        typer.Option("--scatter", help="How far the fingers scatter (assumed); the order of rungs depends on it."),
    ] = "usual",
    rungs: RungsFile = None,
    format: TextOrJson = "text",
) -> None:
    """Show the graded exercises: what each trains, how its fingers should move, its music, how it is passed."""
    found = rungs_from(rungs, scatter)
    tunes = _tunes(found)
    if rung is None:
        chosen: list[Rung | EasyTune] = [*found, *tunes]
        text = "\n".join(_list(found, tunes, scatter, rungs is not None))
    else:
        one = _chosen(rung, found, tunes)
        chosen = [one]
        text = "\n".join(_whole(one, found, tunes))
    if abc:
        typer.echo("\n".join(each.abc for each in chosen), nl=False)
    elif format == "json":
        typer.echo(json.dumps(_as_dict(chosen, found, None if rungs else scatter), indent=2, ensure_ascii=False))
    else:
        typer.echo(text)


def _tunes(found: tuple[Rung, ...]) -> list[EasyTune]:
    """The easy tunes whose rung stands on this ladder."""
    keys = {rung.key for rung in found}
    return [tune for tune in easy_tunes() if tune.rung in keys]


def _chosen(text: str, found: tuple[Rung, ...], tunes: list[EasyTune]) -> Rung | EasyTune:
    try:
        return easy_tune_of(text, tunes) or find_rung(found, text)
    except ValueError as error:
        raise Problem(f"{error}; `fingerlead ladder` lists them all") from None


_HEADS = {
    "one note": "One note",
    "one hand": "One hand, all fingers the same way",
    "both hands": "Both hands, all fingers the same way",
    "crossing": "Crossings: some fingers down while others come up",
}


def _list(found: tuple[Rung, ...], tunes: list[EasyTune], scatter: str, own: bool) -> list[str]:
    others = [] if own else [level for level in ("calm", "usual", "shaky") if level != scatter]
    width = max(len(rung.key) for rung in found)
    head = "".join(f"{level:>7}" for level in others)
    lines = [f"{'':4}{'rung':<{width}}  {'difficulty':>10}{head}  typical time".rstrip()]
    for number, rung in enumerate(found, 1):
        if not own and (number == 1 or rung.group != found[number - 2].group):
            lines += ["", _HEADS[rung.group]]
        there = [places(rung.key)[level] for level in others]
        moved = "".join(f"{place if place != number else '':>7}" for place in there)
        lines.append(
            f"{number:>2}  {rung.key:<{width}}  {rung.difficulty:>10.1f}{moved}  {days_text(rung.days)}".rstrip()
        )
        lines += [f"      tune: {tune.title} ({tune.key})" for tune in tunes if tune.rung == rung.key]
    return [*lines, "", *_legend(scatter, own)]


def _legend(scatter: str, own: bool) -> list[str]:
    levels = ", ".join(f"{level} {us // 1_000} ms" for level, us in LEVELS.items())
    order = [
        f"The order is for {scatter} fingers. How far fingers scatter is assumed, not measured: {levels}.",
        "The two columns after the difficulty say where a rung stands at the other levels, if elsewhere.",
    ]
    return [
        *(["The rungs are yours, in the order of your file."] if own else order),
        "Difficulty: expected milliseconds of a third note, and more for false fingerings, further fingers and",
        f"fingers against the rest of their hand. Typical time: {DAYS_SOURCE}.",
        "Look at one with: fingerlead ladder RUNG (its music alone: --abc)",
    ]


def _whole(one: Rung | EasyTune, found: tuple[Rung, ...], tunes: list[EasyTune]) -> list[str]:
    if not isinstance(one, Rung):
        return [
            f"{one.title}: an easy tune, for players who have got as far as the rung {one.rung}.",
            "",
            one.abc.rstrip(),
        ]
    lines = [f"{found.index(one) + 1}. {capital(one.name)} ({one.key})", capital(one.trains), ""]
    for head, changes in (("Out", one.out), ("Back", one.back)):
        for change in changes:
            lines += [f"{head}, {change_text(*change)}:", f"  {advice(*change)}"]
    lines += [""] if one.out else []
    names = {rung.key: rung.name for rung in found}
    if one.mixes:
        lines.append(f"Mixed in: {'; '.join(names[key] for key in one.mixes)}.")
    lines += [f"Passed: {one.passed}", f"Typical time: {days_text(one.days)} ({DAYS_SOURCE})."]
    lines += [f"Tune: {tune.title} ({tune.key})" for tune in tunes if tune.rung == one.key]
    return [*lines, "", one.abc.rstrip()]


def _as_dict(chosen: list[Any], found: tuple[Rung, ...], scatter: str | None) -> dict[str, Any]:
    told: dict[str, Any] = {"schema": SCHEMA}
    if scatter is not None:
        told["scatter"] = {"level": scatter, "scatter_us": LEVELS[scatter], "source": "assumed"}
    told["rungs"] = [_rung(each, found, scatter is None) for each in chosen if isinstance(each, Rung)]
    told["tunes"] = [
        {"key": each.key, "title": each.title, "rung": each.rung, "abc": each.abc}
        for each in chosen
        if not isinstance(each, Rung)
    ]
    return told


def _rung(rung: Rung, found: tuple[Rung, ...], own: bool) -> dict[str, Any]:
    return {
        "key": rung.key,
        "number": found.index(rung) + 1,
        **({} if own else {"places": places(rung.key)}),
        "name": rung.name,
        "notes": [NOTES[note] for note in rung.notes],
        "group": rung.group,
        "difficulty": round(rung.difficulty, 3),
        "trains": rung.trains,
        "out": [_change(*change) for change in rung.out],
        "back": [_change(*change) for change in rung.back],
        "mixes": list(rung.mixes),
        "typical_days": list(rung.days),
        "typical_days_source": DAYS_SOURCE,
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
