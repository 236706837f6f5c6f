"""`python -m tests.embellishments`: the judge of embellishments measured at full size, a table on standard output."""

from __future__ import annotations

import argparse

from tests.embellishments.measures import TEMPI_US, WAYS, measured


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.embellishments")
    parser.add_argument("--movements", type=int, default=2_000, help="well played ones at each tempo")
    parser.add_argument("--faults", type=int, default=200, help="of each fault at each tempo")
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--tempo", type=int, choices=range(len(TEMPI_US)), nargs="+", default=[0, 1, 2, 3])
    parser.add_argument("--way", choices=WAYS, nargs="+", default=list(WAYS))
    parser.add_argument("--cases", type=int, default=0, help="how many wrong ones of each to list")
    asked = parser.parse_args()
    print(
        "tempo ms   way               told right  of    share  untellable  of the rest  as uneven"
        "   told a fault  right finger    worse  told instead"
    )
    for tempo_us in (TEMPI_US[number] for number in asked.tempo):
        for way in asked.way:
            found = measured(way, asked.movements if way == "well" else asked.faults, tempo_us, asked.seeds)
            instead = ", ".join(f"{many} {what}" for what, many in found.instead.most_common(5))
            print(
                f"{tempo_us[0] // 1_000:>3}/{tempo_us[1] // 1_000:<6} {way:<18}{found.named:>9}{found.of:>6}"
                f"{found.share:>8.1%}"
                f"{found.apart:>12}{found.share_told:>13.1%}{found.uneven:>11}"
                f"{found.faulted:>15}{found.right_fingers:>12} of {found.fingers:<5}"
                f"{found.worse:>4} of {found.advised:<5}{instead}",
                flush=True,
            )
            for case in found.cases[: asked.cases]:
                print("    " + case)


if __name__ == "__main__":
    main()
