"""The pictures of the README, drawn by the program itself: `python -m tests.pictures`.

`strip.svg` is a finger strip; `practice.png` is the practice page after that change, in Chromium. Both show a fixed
state, so that they are the same each time.
"""

from __future__ import annotations

import re
from pathlib import Path

from playwright.sync_api import expect, sync_playwright

import fingerlead.faces.report as report
from fingering.ladder import ladder
from fingering.table import standard_table
from fingerlead.faces.strip import strip_svg
from tests.end_to_end.chromium import CHROMIUM, FLAGS
from tests.end_to_end.page_host import HERE, PageHost, change_message, everything, progress_message, rung_message
from tests.faces.playing import SURE, one_change

FOLDER = Path(__file__).parents[1] / "demo" / "pictures"
LOW_G, B = 0, 2
# From low G to B the little finger lifts first, and a low A sounds until the ring finger is off as well.
EARLY_LITTLE_FINGER = {7: 0, 6: 18_000}
PAPER = 12  # around the strip, in its own units


def strip_picture() -> str:
    """The strip as a file of its own: with its style, on white paper."""
    svg = strip_svg(one_change(LOW_G, EARLY_LITTLE_FINGER), SURE, "strip")
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
    standard = standard_table().standard
    number = next(number for number, rung in enumerate(ladder()) if set(rung.notes) == {LOW_G, B})
    rung = rung_message(number)
    in_a_row = {
        "out": {"name": "low G to B", "in_a_row": 0, "needed": 10},
        "back": {"name": "B to low G", "in_a_row": 6, "needed": 10},
    }
    host.snapshot = everything(
        chanter=HERE,
        rung=rung,
        holes={"covered_mask": standard[B], "note": B, "fingering": "standard", "t_us": 0},
        lit={**rung["notes"][2], "index": 2},
        changes=[change_message(1, LOW_G, EARLY_LITTLE_FINGER)],
        progress={**progress_message(), **in_a_row},
    )
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_page(viewport={"width": 1280, "height": 800}, reduced_motion="reduce")
        page.goto(host.entry)
        expect(page.locator("body")).to_have_attribute("data-view", "practice")
        expect(page.locator(".strip")).to_be_visible()
        page.screenshot(path=path, animations="disabled")
        browser.close()
    host.close()


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    (FOLDER / "strip.svg").write_text(strip_picture(), encoding="utf-8")
    practice_picture(FOLDER / "practice.png")
    for picture in sorted(FOLDER.iterdir()):
        print(f"{picture}: {picture.stat().st_size / 1_000:.0f} kB")
