"""A small host for the tests of the practice page: the same files, templates and headers, and messages told by hand.

It answers a page's holes with their note and lights the rung's next note when it is reached; the rest the test tells.
"""

from __future__ import annotations

import asyncio
import json
import queue
from functools import cache
from typing import Any

from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route
from starlette.websockets import WebSocketDisconnect

from fingering.holes import FINGERS
from fingering.ladder import ladder
from fingering.moves import advice, hair, hair_finger
from fingering.notes import NOTES, SCALES, SOUNDING
from fingering.orders import number_of, rungs_in
from fingering.table import standard_table
from fingerlead.faces.pages.kit.app import page_app
from fingerlead.faces.pages.kit.guard import Guard
from fingerlead.faces.pages.kit.place import WebPlace, listen
from fingerlead.faces.pages.kit.server import Server
from fingerlead.faces.pages.kit.templates import render
from fingerlead.faces.pages.practice.messages import PACKAGE, in_time_of, together_sentence
from fingerlead.faces.pages.practice.telling import NOTHING
from fingerlead.faces.strip import LETTERS, change_strip, scale_words, shared_scale
from fingerlead.faces.strip_svg import strip_svg
from fingerlead.faces.words import change_sentence
from fingerlead.music.abc import parse_abc
from fingerlead.sound.takes import render_take, wav_bytes
from fingerlead.sound.tuning import Tuning
from fingerlead.sound.voices import voice_json
from fingerlead.timing.findings import together_words
from fingerlead.timing.mended import diagnose_change
from tests.faces.playing import SURE, one_change
from tests.waiting import PATIENCE_S, wait_for

TABLE = standard_table()
TAKE = [(0, TABLE.standard[1]), (400_000, TABLE.standard[1] ^ 0b1000), (430_000, TABLE.standard[5])]
TAKE_END_US = 900_000


@cache
def staff(number: int) -> str:
    from fingerlead.faces.sheet.sheets import staff_svg

    return staff_svg(parse_abc(ladder()[number].abc)[0][0], letters="full")


def rung_message(number: int = 3, help_: list[int] | None = None) -> dict[str, Any]:
    rung = ladder()[number]
    played = parse_abc(rung.abc)[0][0].played()
    froms = [played[place - 1].note for place in range(len(played))]
    return {
        "kind": "rung", "key": rung.key, "name": rung.name, "number": number_of(rung.key), "of": len(rungs_in()),
        "trains": rung.trains, "staff_svg": staff(number), "passed_text": rung.passed, "tune": False,
        "together": together_sentence(25_000), "help": help_ or [2] * 9,
        "notes": [
            {
                "id": f"n0-{one.bar}-{one.place}", "note": one.note, "letter": LETTERS[one.note], "graces": [],
                "from": before, "words": "" if before == one.note else advice(before, one.note),
                "hair": None if before == one.note else hair_finger(before, one.note),
            }
            for before, one in zip(froms, played, strict=True)
        ],
    }  # fmt: skip


def change_message(number: int, from_note: int, times: dict[int, int], **also: Any) -> dict[str, Any]:
    change = one_change(from_note, times)
    strip = change_strip(change, SURE)
    return {
        "kind": "change", "number": number, "take": number, "from": change.from_note, "to": change.to_note,
        "verdict": change.verdict, "sentence": change_sentence(change, SURE),
        "strip_svg": strip_svg(strip, shared_scale([strip]), f"change-{number}"),
        "strip_words": scale_words(shared_scale([strip]), "This strip"),
        "mendable": diagnose_change(change) is not None, "slow": True, "again": False, **also,
    }  # fmt: skip


def told_message(number: int, from_note: int, times: dict[int, int], **also: Any) -> dict[str, Any]:
    """What is told of a change that went astray."""
    change = one_change(from_note, times)
    diagnosis = diagnose_change(change)
    assert diagnosis is not None
    notes = change.from_note, change.to_note
    return {
        "kind": "told", "what": "fault", "take": number, "notes": list(notes), "lead": change.lead,
        "hair": hair(*notes, diagnosis.first, diagnosis.second), "fingers": [], "mendable": True,
        "sentence": f"A low A sounded, as the bottom little moved too soon: {together_words(*notes)}.", **also,
    }  # fmt: skip


def progress_message(out: int = 3, back: int = 6, **also: Any) -> dict[str, Any]:
    return {
        "kind": "progress", "out": {"name": "low A to E", "in_a_row": out, "needed": 10},
        "back": {"name": "E to low A", "in_a_row": back, "needed": 10}, "again": False, "unclean": False, "next": None,
        "sentence": "", "passed": False, **also,
    }  # fmt: skip


HERE = {
    "kind": "chanter", "state": "here", "source": "simulated", "name": "Simulated pupil",
    "sentence": "A simulated pupil is playing; nothing of it is kept as yours.", "uncertainty_us": 5_000,
    "kept": False, "found": [],
}  # fmt: skip
OWN = {
    **HERE, "source": "page", "name": "This page", "uncertainty_us": 12_000,
    "sentence": "You play with the keys or the screen of this page; nothing is kept as yours.",
}  # fmt: skip
NOT_LISTENING = "Not listening to any chanter."
NONE = {**HERE, "state": "none", "source": None, "name": "", "sentence": NOT_LISTENING, "uncertainty_us": None}


def everything(**over: Any) -> dict[str, Any]:
    """The snapshot of a host with nothing plugged in; parts may be given instead."""
    states = ["confirmed", "passed", "due", *["open"] * 40]
    told = {
        "kind": "all", "chanter": NONE, "rung": rung_message(), "lit": {"id": "n0-0-0", "note": 1, "index": 0},
        "progress": progress_message(), "holes": None, "tonight": None, "changes": [], "hand_on_top": "left",
        "due": [ladder()[2].key], "notes": list(NOTES), "fingers": list(FINGERS), "chart": list(TABLE.standard),
        "remarks": [], "told": NOTHING, "in_time": in_time_of(None),
        "sound": {
            "where": "page", "state": "silent", "device": None, "devices": ["Built-in"], "under_runs": 0,
            "delay_ms": None, "level_db": -20, "voice": "practice", "low_a_hz": 240.0, "scale": SCALES[0].name,
            "scales": [scale.name for scale in SCALES], "drones": False, "false_cents": -35.0, "sentence": "",
        },
        "metronome": {
            "on": False, "bpm": 60, "beats": 4, "subdivision": 1, "loop_ms": None, "sentence": "",
        },
        "ladder": [
            {"key": rung.key, "name": rung.name, "group": rung.group, "state": state, "number": number_of(rung.key)}
            for rung, state in zip(ladder(), states, strict=False)
        ],
        **over,
    }  # fmt: skip
    return {key: strip_kind(value) if key != "kind" else value for key, value in told.items()}


def strip_kind(value: Any) -> Any:
    """Inside `all` the parts need no kind; changes keep theirs."""
    return {key: part for key, part in value.items() if key != "kind"} if isinstance(value, dict) else value


class PageHost:
    """The host in a thread of its own. `heard` is what pages sent, `tell` sends to every page."""

    def __init__(self) -> None:
        self.snapshot = everything()
        self.heard: queue.Queue[dict[str, Any]] = queue.Queue()
        self.asked: list[str] = []
        self._pages: set[Any] = set()
        self._reached = 0

        def page(name: str) -> Any:
            async def show(request: Any) -> Response:
                return HTMLResponse(render(PACKAGE, name))

            return show

        async def voice(request: Any) -> Response:
            return JSONResponse(voice_json("practice", Tuning(), TABLE))

        async def track(request: Any) -> Response:
            return JSONResponse({"edges": TAKE, "end_us": TAKE_END_US})

        async def samples(request: Any) -> Response:
            self.asked.append(str(request.url.path) + "?" + str(request.url.query))
            speed = float(request.query_params.get("speed", "1"))
            return Response(wav_bytes(render_take(TAKE, TAKE_END_US, speed, TABLE), 48_000), media_type="audio/wav")

        shells = [Route("/", page("practice.html")), Route("/hold", page("hold.html"))]
        routes = [
            Route("/voice.json", voice),
            Route("/take/{number:int}.json", track), Route("/phrase.json", track),
            Route("/take/{number:int}.wav", samples), Route("/phrase.wav", samples),
            Route("/model.json", track), Route("/model.wav", samples),
        ]  # fmt: skip
        app = page_app(PACKAGE, shells, routes, self._live)
        place = listen(WebPlace())
        port = place.getsockname()[1]
        self.guard = Guard(app.outside, app.inside, "127.0.0.1", port)
        self.address = f"http://127.0.0.1:{port}/"
        self._server = Server(self.guard, place).start()
        self._loop: asyncio.AbstractEventLoop | None = None

    @property
    def entry(self) -> str:
        """The address by which a browser comes in."""
        return self.way_to("")

    def way_to(self, path: str) -> str:
        """The address by which a browser comes to a page."""
        return f"{self.address}{path}#{self.guard.token}"

    def begin_anew(self) -> None:
        """As at the start: once the last page has gone and all it sent has been taken in."""
        wait_for(lambda: not self._pages, "the last page's end")
        self.snapshot = everything()
        self.asked.clear()
        self.heard = queue.Queue()

    async def _live(self, socket: Any) -> None:
        await socket.accept()
        self._loop = asyncio.get_running_loop()
        self._pages.add(socket)
        try:
            await socket.send_text(json.dumps(self.snapshot))
            while True:
                message = json.loads(await socket.receive_text())
                for answer in self._answer(message):
                    await socket.send_text(json.dumps(answer))
                self.heard.put(message)
        except (WebSocketDisconnect, RuntimeError):
            pass
        finally:
            self._pages.discard(socket)

    def _answer(self, message: dict[str, Any]) -> list[dict[str, Any]]:
        kind = message["kind"]
        if kind == "all":
            return [self.snapshot]
        if kind == "listen":
            told = OWN if message["to"] == "page" else HERE
            self.snapshot = {**self.snapshot, "chanter": strip_kind(told)}
            self._reached = 0
            return [told]
        if kind == "rung":
            number = next(i for i, rung in enumerate(ladder()) if rung.key == message["key"])
            told = rung_message(number)
            return [told, {"kind": "lit", "id": told["notes"][0]["id"], "note": told["notes"][0]["note"], "index": 0}]
        if kind == "sound":
            self.snapshot["sound"] = {**self.snapshot["sound"], **strip_kind(message)}
            return [{"kind": "sound", **self.snapshot["sound"]}]
        if kind == "play_on":
            # As the real one: everything anew, and no summary any more.
            self.snapshot["summary"] = None
            return [self.snapshot]
        if kind == "finish":
            return [{
                "kind": "summary", "lines": ["Low A to E went astray in 2 of 14."], "session_file": None,
            }]  # fmt: skip
        if kind == "tonight":
            item = {"name": "low A and E"}
            return [{"kind": "tonight", "minutes_left": 10, "item": item, "sentence": "Low A and E."}]
        return self._holes(message["covered_mask"]) if kind == "holes" else []

    def _holes(self, mask: int) -> list[dict[str, Any]]:
        fingering = TABLE.verdict(mask).fingering
        told: list[dict[str, Any]] = [
            {"kind": "holes", "covered_mask": mask, "note": SOUNDING[mask], "fingering": fingering, "t_us": 0}
        ]
        notes = self.snapshot["rung"]["notes"]
        if self._reached < len(notes) and TABLE.standard[notes[self._reached]["note"]] == mask:
            self._reached += 1
            lit = {"id": None, "note": None}
            if self._reached < len(notes):
                lit = {key: notes[self._reached][key] for key in lit}
            told.append({"kind": "lit", **lit, "index": self._reached})
        return told

    def tell(self, *messages: dict[str, Any]) -> None:
        """Send to every page, in order; returns when they are on their way."""

        async def send() -> None:
            for page in list(self._pages):
                for message in messages:
                    await page.send_text(json.dumps(message))

        assert self._loop
        asyncio.run_coroutine_threadsafe(send(), self._loop).result(PATIENCE_S)

    def hang_up(self) -> None:
        """Break every line, as a host that goes away does."""

        async def close() -> None:
            for page in list(self._pages):
                await page.close()

        assert self._loop
        asyncio.run_coroutine_threadsafe(close(), self._loop).result(PATIENCE_S)

    def wait_for(self, kind: str, **fields: Any) -> dict[str, Any]:
        """The next message of a kind (with these fields) that a page sent; what came before it is dropped."""
        while True:
            message = self.heard.get(timeout=PATIENCE_S)
            if message["kind"] == kind and fields.items() <= message.items():
                return message

    def close(self) -> None:
        self._server.stop()
