"""What compensating the dead time is worth: every law on the slalom at 15 m/s with 0.2 s of dead time.

    python tests/bench/dead_time_compensation.py

Prints a table of the RMS of the lateral error with and without compensation, per law with its own gains and in the forms
of the papers, for a kinematic vehicle and one with tyres. Pure pursuit without feed-forward cuts corners by a long
lookahead, which a dead time partly hides: there compensation may add to the error.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.append(str(Path(__file__).parents[1] / "tuning"))

from slalom_drives import VEHICLES, errors_with_and_without

import tracker

PAPERS = {
    "Stanley, paper": tracker.Stanley(feed_forward=False),
    **{
        f"PurePursuit {time} s, paper": tracker.PurePursuit(lookahead_time=time, feed_forward=False)
        for time in (0.6, 0.8, 1.0, 1.5)
    },
}


def main() -> None:
    """Print the table."""
    print(f"{'law':26} {'vehicle':10} {'with, m':>9} {'without, m':>11} {'ratio':>7}")
    for name, law in ({name: kind() for name, kind in tracker.LAWS.items()} | PAPERS).items():
        for kind, vehicle in VEHICLES.items():
            with_it, without = errors_with_and_without(law, vehicle)
            print(f"{name:26} {kind:10} {with_it:9.4f} {without:11.4f} {with_it / without:7.2f}")


if __name__ == "__main__":
    main()
