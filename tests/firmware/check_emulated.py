"""`make firmware-check`: a chanter's life on an emulated Cortex-M3, with the program that its user runs beside it.

It is calibrated from noisy samples, keeps its levels, has its power cut, and hears a pupil; then what the program
reports of that playing is held against what the fingers truly did. A line for each stage; exit code 1 where anything
disagrees.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fingering.holes import FINGERS, HOLES
from fingering.notes import NOTES
from fingerlead.simulated.hands import SEEN_US
from fingerlead.simulated.performance import Performance
from fingerlead.simulated.play import perform
from fingerlead.simulated.scenario import load_scenario
from fingerlead.simulated.script import write_script
from fingerlead.store.chanters import Calibration, load_calibration
from fingerlead.store.skews import load_skew
from fingerlead.timing.results import UNPLAIN
from fingerlead.workbench.samples import PLAN
from fingerlead.workbench.skew import FRONT
from tests.firmware.against_truth import Agreement, Disagrees, compare, counts
from tests.firmware.chanters_user import User, first_stamp_us
from tests.firmware.firmware_tools import PACKAGES, made
from tests.firmware.led_chanter import CheckFailed, Feel

# Eight sensors that differ as hand-made ones do. Of seven, the levels that the firmware begins with are never crossed.
FEELS = (
    Feel(60, 330, 1.0, 3.0),
    Feel(90, 420, 0.8, 3.0),
    Feel(480, 900, 1.2, 5.0),
    Feel(130, 390, 0.75, 4.0),
    Feel(520, 960, 1.35, 5.0),
    Feel(70, 360, 1.1, 3.0),
    Feel(200, 830, 0.9, 4.0),
    Feel(500, 880, 1.3, 5.0),
)
AT_FIRST = ((540, 460),) * HOLES  # the firmware's own levels
SEED, CHANGES = 7, 60


def main() -> None:
    """Run every stage; one sentence and exit code 1 at the first that fails."""
    began_s = time.monotonic()
    try:
        for tool, package in PACKAGES.items():
            if shutil.which(tool) is None:
                raise CheckFailed(f"{tool} is missing: install {package}")
        with tempfile.TemporaryDirectory() as folder:
            Check(Path(folder)).run()
    except (AssertionError, OSError, subprocess.TimeoutExpired) as error:
        sys.exit(f"firmware-check: {error}")
    print(f"All as it should be, in {time.monotonic() - began_s:.0f} s.")


def say(text: str) -> None:
    print(text, flush=True)


class Check:
    """All stages, in a folder of their own."""

    def __init__(self, folder: Path) -> None:
        made(folder / "build", "arm")
        say("built: the firmware for a Cortex-M3.")
        self.folder = folder
        self.user = User(folder, folder / "build" / "mps2_an385.elf", FEELS, SEED)

    def run(self) -> None:
        chanter = self.new_chanter("chanter")
        calibration = self.calibrate(chanter)
        self.kept_through_a_power_cut(chanter, calibration)
        performance = pupils_playing()
        self.wrong_without_calibration(performance)
        session = self.user.records(chanter, performance, "played")
        self.agrees(session, performance, "assumed")
        self.report_agrees(session, performance)
        self.skew(chanter, calibration)
        self.agrees(session, performance, "measured")
        self.self_test(chanter)

    def new_chanter(self, name: str) -> Path:
        """The folder of a chanter whose storage was never written."""
        chanter = self.folder / name
        chanter.mkdir()
        (chanter / "chanter.storage").write_bytes(b"\xff" * 96)
        return chanter

    # -- calibration ---------------------------------------------------------------------------------------------------

    def calibrate(self, chanter: Path) -> Calibration:
        """As its user does: the program asks, hands do what it asks."""
        told = self.user.calibrates(chanter, [])
        (before_path,) = self.user.kept("pupil-*.before.toml")
        before, calibration = (
            load_calibration(before_path),
            load_calibration(before_path.with_name(before_path.name.replace(".before", ""))),
        )
        if before.levels != AT_FIRST:
            raise CheckFailed(f"expected a new chanter to have the levels {AT_FIRST}; got {before.levels}")
        verdicts = sum(line.split()[-1:] == ["good"] for line in told)
        if verdicts != HOLES:
            raise CheckFailed(f"expected {HOLES} holes to be called good; got {verdicts}: {' / '.join(told)}")
        for hole, (feel, levels) in enumerate(zip(FEELS, calibration.levels, strict=True)):
            heights = [feel.height_at(level) for level in levels]
            if not 0.5 < heights[1] < heights[0] < 0.95:
                raise CheckFailed(
                    f"expected the levels of the {FINGERS[hole]} to lie near the covered end of the finger's way, "
                    f"and within it; got {heights}"
                )
        say(f"calibrated: {len(PLAN)} steps, {HOLES} holes good, both levels near the covered end of a finger's way.")
        return calibration

    def kept_through_a_power_cut(self, chanter: Path, calibration: Calibration) -> None:
        """The chanter is on again, and says what its levels are."""
        levels, boot = self.user.levels_told(chanter)
        if levels != calibration.levels:
            raise CheckFailed(
                f"expected the calibration's levels after a power cut, {calibration.levels}; got {levels}"
            )
        if boot != 2:
            raise CheckFailed(f"expected the second start of the chanter to be number 2; got {boot}")
        say(f"power cut and on again (start number {boot}): its {2 * HOLES} levels are those of the calibration file.")

    def skew(self, chanter: Path, calibration: Calibration) -> None:
        """The straight-bar test, held against how these sensors see a bar without noise."""
        self.user.calibrates(chanter, ["--skew"])
        (path,) = self.user.kept("skew.toml")
        skew = load_skew(path.parents[1], path.parent.name)
        assert skew is not None
        # The bar moves evenly through a sensor's sight, so a lag is a height; only differences of lags can be known.
        laid, lifted = zip(
            *([FEELS[hole].height_at(level) for level in calibration.levels[hole]] for hole in FRONT), strict=True
        )
        true = SEEN_US * np.stack([_bent([-height for height in lifted]), _bent(list(laid))])
        half = np.array(skew.bias_us) / 2
        out_us = np.abs(true - np.stack([skew.skew_us + half, skew.skew_us - half])).max()
        # Twice what it calls its uncertainty: four standard errors of a hole's lift or lay.
        within_us = 2 * skew.uncertain_us
        if np.abs(true).max() < 2 * within_us:
            raise CheckFailed(
                "expected sensors that fire apart by more than the test can be out; make them differ more"
            )
        if out_us > within_us:
            raise CheckFailed(f"expected lifts and lays to be seen {true.round().tolist()} µs late; got {skew}")
        say(
            f"skew: from {skew.lifts} lifts and {skew.lays} lays of a bar, {true.size} lags of up to "
            f"{np.abs(true).max():.0f} µs found to within {out_us:.0f} µs ({within_us:.0f} allowed)."
        )

    # -- playing -------------------------------------------------------------------------------------------------------

    def wrong_without_calibration(self, performance: Performance) -> None:
        """The same fingers on a chanter that was never calibrated: the check must see the difference."""
        session = self.user.records(self.new_chanter("uncalibrated"), performance, "uncalibrated")
        try:
            compare(self.analysed(session), performance, first_stamp_us(session))
        except Disagrees as error:
            say(f"a chanter that was not calibrated: the same playing comes out wrong, as it must ({error}).")
            return
        raise CheckFailed(
            "expected the playing to come out wrong without calibration, but it agrees: nothing is checked"
        )

    def analysed(self, session: Path) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.user.runs("analyse", session, "--format", "json"))
        return found

    def agrees(self, session: Path, performance: Performance, skew: str) -> None:
        """The published analysis against the truth."""
        found = self.analysed(session)
        if found["timing"]["skew"] != skew:
            raise CheckFailed(f"expected the analysis to call its skew {skew}; got {found['timing']}")
        agreement = compare(found, performance, first_stamp_us(session))
        say(f"the playing, skew {skew} ({found['timing']['skew_us']} µs): {words_of(agreement, found)}")

    def report_agrees(self, session: Path, performance: Performance) -> None:
        """The report's numbers: of each change, how many went astray; and the finger named for the planted fault."""
        page = self.folder / "report.json"
        self.user.runs("report", session, "-o", page)
        rows = {(row["from"], row["to"]): row for row in json.loads(page.read_text())["changes"]}
        true = counts(self.analysed(session), performance, first_stamp_us(session))
        if rows.keys() != true.keys():
            raise CheckFailed(f"expected the report to name the changes {sorted(true)}; got {sorted(rows)}")
        for pair, (many, least, most) in true.items():
            row = rows[pair]
            counted = sum(row[how] for how in ("plain", *UNPLAIN))
            if counted != many or not least <= row["astray"] <= most:
                raise CheckFailed(f"expected {many} changes {pair}, {least} to {most} of them astray; got {row}")
        planted = [fault for fault in performance.faults if fault.kind == "early" and fault.finger is not None]
        for fault in planted:
            row = rows[NOTES[fault.from_note], NOTES[fault.to_note]]
            if (row["finger"], row["how"]) != (FINGERS[fault.finger or 0], "early"):
                raise CheckFailed(f"expected the report to name the {FINGERS[fault.finger or 0]}, early; got {row}")
        say(
            f"the report: {len(true)} kinds of change counted as played, with those astray; the finger that was "
            f"planted early {len(planted)} times is named."
        )

    # -- the rest ------------------------------------------------------------------------------------------------------

    def self_test(self, chanter: Path) -> None:
        """`fingerlead check --restart`, with a chanter that lies still."""
        lines = self.user.checks(chanter)
        good = sum(line.startswith(" good") for line in lines)
        if good < 8 or lines[-1] != "Everything tried is as the wire asks.":
            raise CheckFailed(f"expected fingerlead check to find everything good; it said: {' / '.join(lines)}")
        say(f"fingerlead check --restart: {good} of {good} good.")


def pupils_playing() -> Performance:
    """A fairly steady pupil whose bottom little finger runs ahead up to B, and whose other fingers are slow or slip."""
    pupil = replace(load_scenario("early-little-finger").pupil, slow=0.05, slips=0.1)
    return perform(pupil, write_script(pupil, SEED, changes=CHANGES), SEED)


def _bent(lags: list[float]) -> NDArray[np.float64]:
    """What of the lags along the chanter is neither constant nor even."""
    places = np.arange(len(lags))
    return np.array(lags) - np.polyval(np.polyfit(places, lags, 1), places)


def words_of(agreement: Agreement, found: dict[str, Any]) -> str:
    return (
        f"{agreement.notes} melody notes, {agreement.changes} changes with their verdicts ({agreement.either} so near "
        f"a limit that two are right), {agreement.strays} heard strays, {agreement.leads} leads named and "
        f"{agreement.too_close} too close to call, none wrong; {agreement.times} times within "
        f"{agreement.worst_us} µs ({found['timing']['uncertainty_us']} stated)."
    )


if __name__ == "__main__":
    main()
