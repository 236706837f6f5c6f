"""The pictures of the README, drawn by the program itself: `python -m tests.pictures`.

`strip.svg` is a finger strip; `practice.png` is the practice page after that change, in Chromium. Both show a fixed
state, so that they are the same each time.
"""

from __future__ import annotations

import re
from pathlib import Path

from playwright.sync_api import sync_playwright

import fingerlead.faces.report as report
from fingerlead.faces.strip import change_strip, shared_scale
from fingerlead.faces.strip_svg import strip_svg
from tests.end_to_end.chromium import CHROMIUM, FLAGS
from tests.end_to_end.page_host import PageHost
from tests.end_to_end.page_states import EARLY_LITTLE_FINGER, STATES
from tests.faces.playing import SURE, one_change
from tests.gallery import show

FOLDER = Path(__file__).parents[1] / "demo" / "pictures"
LOW_G = 0
PAPER = 12  # around the strip, in its own units


def strip_picture() -> str:
    """The strip as a file of its own: with its style, on white paper."""
    strip = change_strip(one_change(LOW_G, EARLY_LITTLE_FINGER), SURE)
    svg = strip_svg(strip, shared_scale([strip]), "strip")
    style = (Path(next(iter(report.__path__))) / "templates" / "style.css").read_text(encoding="utf-8")
    colours = dict(re.findall(r"--(\w+): (#\w+);", style.partition("@media")[0]))
    rules = re.sub(
        r"var\(--(\w+)\)", lambda name: colours[name[1]], "\n".join(re.findall(r"^\.strip .*", style, re.MULTILINE))
    )
    head, width, height = re.search(r'<svg class="strip" viewBox="0 0 (\d+) (\d+)"', svg).group(0, 1, 2)
    wide, high = int(width) + 2 * PAPER, int(height) + 2 * PAPER
    whole = f'<svg xmlns="http://www.w3.org/2000/svg" class="strip" viewBox="{-PAPER} {-PAPER} {wide} {high}"'
    paper = f'<rect x="{-PAPER}" y="{-PAPER}" width="{wide}" height="{high}" fill="{colours["paper"]}"/>'
    svg = svg.replace(head, f'{whole} width="{2 * wide}" height="{2 * high}"')
    return svg.replace("<defs>", f"<style>\n{rules}\n</style>{paper}<defs>") + "\n"


def practice_picture(path: Path) -> None:
    """The practice page while the simulated pupil plays, after a change that went astray."""
    host = PageHost()
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_page(viewport={"width": 1280, "height": 800}, reduced_motion="reduce")
        show(page, host, STATES["after"])
        page.screenshot(path=path, animations="disabled")
        browser.close()
    host.close()


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    (FOLDER / "strip.svg").write_text(strip_picture(), encoding="utf-8")
    practice_picture(FOLDER / "practice.png")
    for picture in sorted(FOLDER.iterdir()):
        print(f"{picture}: {picture.stat().st_size / 1_000:.0f} kB")
