"""Pictures of every state of the practice page at three sizes, light and dark, on one page: `python -m tests.gallery`.

They are drawn from fixed messages, so that they are the same each time. The page is `out/gallery/index.html`; a name of
a state, or several, makes those alone.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from html import escape
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright

from tests.end_to_end.chromium import CHROMIUM, FLAGS
from tests.end_to_end.page_host import PageHost
from tests.end_to_end.page_states import STATES, PageState

FOLDER = Path("out") / "gallery"
SIZES = {"phone": (390, 844), "tablet": (820, 1180), "laptop": (1280, 800)}
SCHEMES = ("light", "dark")
HEAD = """<!doctype html><meta charset="utf-8"><title>The practice page</title>
<style>body { font: 1rem/1.4 system-ui, sans-serif; margin: 2rem; background: #ddd; color: #111 }
div { display: flex; flex-wrap: wrap; gap: 1rem; align-items: start } img { height: 24rem; border: 1px solid #777 }
</style><h1>The practice page</h1>
"""


def show(page: Any, host: PageHost, state: PageState) -> None:
    """Bring a page into a state."""
    host.begin_anew()
    host.snapshot = state.snapshot()
    page.goto(host.way_to(state.path))
    for step in state.steps:
        page.locator(step).click()
    page.locator(state.shows).first.wait_for(state="visible")


def make(names: Iterable[str], folder: Path) -> int:
    """Make the pictures, and the page of them; how many there are."""
    folder.mkdir(parents=True, exist_ok=True)
    host = PageHost()
    made: dict[str, list[str]] = {name: [] for name in names}
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        for scheme in SCHEMES:
            for size, (width, height) in SIZES.items():
                for name in made:
                    page = browser.new_page(
                        viewport={"width": width, "height": height}, color_scheme=scheme, reduced_motion="reduce",
                        has_touch=STATES[name].touch,
                    )  # fmt: skip
                    show(page, host, STATES[name])
                    file = f"{name.replace(' ', '-').replace(',', '')}-{size}-{scheme}.png"
                    page.screenshot(path=folder / file, animations="disabled")
                    made[name].append(file)
                    page.context.close()
        browser.close()
    host.close()
    rows = (
        f"<h2>{escape(name)}</h2>\n<div>{''.join(f'<img src={file!r} alt={file!r}>' for file in files)}</div>\n"
        for name, files in made.items()
    )
    (folder / "index.html").write_text(HEAD + "".join(rows), encoding="utf-8")
    return sum(map(len, made.values()))


if __name__ == "__main__":
    count = make([name for name in STATES if name in sys.argv[1:] or len(sys.argv) == 1], FOLDER)
    print(f"{count} pictures: {FOLDER / 'index.html'}")
