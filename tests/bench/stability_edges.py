"""How far the simulated edge of stability lies from the linear loop's: a table over laws, speeds and compensation.

Run: python tests/bench/stability_edges.py [--speeds 4 10 18] [--laws Stanley MPC]
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tuning"))

from stability_drives import (  # pyright: ignore[reportMissingImports]  # found by the path above
    SPEEDS,
    grows,
    law_of,
    long_enough,
    setting_with,
)

import tracker
from tuning.stability import loop_at
from tuning.stability.margins import margins_of_rows

_WIDEST = 0.08  # either way of the linear edge, where the simulated one is looked for
_ROUNDS = 7  # of bisection: to 0.06 % of the edge


def simulated_edge(law: tracker.Law, speed: float, compensate: bool) -> tuple[float, float]:
    """Give (delay margin of the linear loop, dead time on top at which the simulation loses stability), s."""
    loop = loop_at(law, setting_with(compensate), speed)
    edge = margins_of_rows(loop)[0].delay
    low, high = (1.0 - _WIDEST) * edge, (1.0 + _WIDEST) * edge
    for _ in range(_ROUNDS):
        middle = 0.5 * (low + high)
        seconds = max(long_enough([(loop, middle * share)]) for share in (0.998, 1.002))
        low, high = (
            (low, middle) if grows(law, speed, compensate, min(seconds, 240.0), middle) else (middle, high)
        )
    return edge, 0.5 * (low + high)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--speeds", type=float, nargs="*", default=list(SPEEDS))
    parser.add_argument("--laws", nargs="*", default=list(tracker.LAWS))
    chosen = parser.parse_args()
    print("law              compensated  speed m/s   linear ms  simulated ms  difference %")
    worst = 0.0
    for name in chosen.laws:
        for compensate in (True, False):
            for speed in chosen.speeds:
                linear, simulated = simulated_edge(law_of(name), speed, compensate)
                off = 100.0 * (simulated / linear - 1.0)
                worst = max(worst, abs(off))
                print(
                    f"{name:16s} {'yes' if compensate else 'no':11s} {speed:10.1f} {1e3 * linear:11.1f} {1e3 * simulated:13.1f} {off:13.2f}"
                )
    print(f"largest difference: {worst:.2f} %")


if __name__ == "__main__":
    main()
