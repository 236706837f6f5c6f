"""A rig as its maker would log it: a finger on a lever, with errors of the chanter that are known because planted."""

from __future__ import annotations

import io
import zipfile
from dataclasses import dataclass

import numpy as np

EVERY_US = 400_000


@dataclass(frozen=True)
class Planted:
    """Errors of one hole: bias in µs of lifts and coverings, spread, drift in µs a minute."""

    hole: int = 3
    lift_us: float = 4_200.0
    cover_us: float = -1_700.0
    spread_us: float = 300.0
    drift_us: float = 0.0
    moves: int = 120
    travels_us: tuple[float, ...] = (30_000.0,)
    bounces: bool = True
    scan_us: int = 0
    misses: tuple[int, ...] = ()


def levels_of(planted: Planted, seed: int = 1) -> dict[str, list[tuple[int, int]]]:
    """Each line as (time µs, level), from time 0. Moves are coverings and lifts in turn."""
    chance = np.random.default_rng(seed)
    lines: dict[str, list[tuple[int, int]]] = {"contact": [(0, 0)], "top": [(0, 1)], f"hole{planted.hole}": [(0, 0)]}
    for move in range(planted.moves):
        covers = move % 2 == 0
        t_us = EVERY_US * (move + 1) + int(chance.integers(0, 1_000))
        travel_us = planted.travels_us[move // 2 % len(planted.travels_us)]
        lines["contact"].append((t_us, int(covers)))
        if planted.bounces:
            # After it has come, before it has gone.
            at = (t_us + 900, t_us + 1_500) if covers else (t_us - 1_500, t_us - 900)
            lines["contact"] += [(at[0], 0), (at[1], 1)]
        lines["top"].append((round(t_us - travel_us) if covers else round(t_us + travel_us), int(not covers)))
        late_us = planted.cover_us if covers else planted.lift_us
        late_us += chance.normal() * planted.spread_us + planted.drift_us * t_us / 60e6
        if move not in planted.misses:
            lines[f"hole{planted.hole}"].append((round(t_us + late_us), int(covers)))
    end_us = EVERY_US * (planted.moves + 1)
    if planted.scan_us:
        lines["scan"] = [(at, at // planted.scan_us % 2) for at in range(0, end_us, planted.scan_us)]
    return {name: sorted(turns) for name, turns in lines.items()}


def turns_of(lines: dict[str, list[tuple[int, int]]]) -> list[tuple[int, dict[str, int]]]:
    """All lines together: what each is from each time on."""
    now = {name: turns[0][1] for name, turns in lines.items()}
    out = [(0, dict(now))]
    for t_us, name, level in sorted((t_us, name, level) for name, turns in lines.items() for t_us, level in turns[1:]):
        now[name] = level
        out.append((t_us, dict(now)))
    return out


def as_csv(lines, header="time_us") -> bytes:
    rows = [",".join([header, *lines])]
    rows += [",".join(map(str, [t_us, *now.values()])) for t_us, now in turns_of(lines)]
    return "\n".join(rows).encode() + b"\n"


def as_vcd(lines) -> bytes:
    signs = dict(zip(lines, "!%&'()*+", strict=False))
    head = ["$timescale 100 ns $end", "$scope module rig $end"]
    head += [f"$var wire 1 {sign} {name} $end" for name, sign in signs.items()]
    head += ["$upscope $end", "$enddefinitions $end", "#0", "$dumpvars"]
    head += [f"{turns[0][1]}{signs[name]}" for name, turns in lines.items()] + ["$end"]
    body = []
    for t_us, now in turns_of(lines)[1:]:
        body += [f"#{t_us * 10}", *(f"{level}{signs[name]}" for name, level in now.items())]
    return "\n".join([*head, *body]).encode() + b"\n"


def as_session(lines, end_us, rate_hz=100_000, unit=1, chunks=3, first_bit=0) -> bytes:
    """A sigrok session, as its format's page describes it."""
    samples = np.zeros(end_us * rate_hz // 1_000_000, dtype="<u4")
    for bit, turns in enumerate(lines.values(), first_bit):
        level = np.zeros(len(samples), dtype=np.uint32)
        for t_us, high in turns:
            level[-(-t_us * rate_hz // 1_000_000) :] = high
        samples |= level << bit
    data = samples.view(np.uint8).reshape(-1, 4)[:, :unit].tobytes()
    names = "".join(f"probe{bit + 1}={name}\n" for bit, name in enumerate(lines, first_bit))
    about = (
        f"[global]\nsigrok version=0.5.2\n\n[device 1]\ncapturefile=logic-1\ntotal probes={8 * unit}\n"
        f"samplerate={rate_hz // 1000} kHz\ntotal analog=0\n{names}unitsize={unit}\n"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("version", "2")
        archive.writestr("metadata", about)
        bounds = np.linspace(0, len(data), chunks + 1).astype(int)
        # Not in order, and parted in the middle of a sample: names and numbers tell.
        for chunk in reversed(range(chunks)):
            archive.writestr(f"logic-1-{chunk + 1}", data[bounds[chunk] : bounds[chunk + 1]])
    return out.getvalue()
