"""Draw the pictures of the guide: `python -m tuning.simulation.guide.make [FOLDER]`, beside the README if left out."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final

from tracks.errors import PathtrimError
from tracks.file_access import make_folder, write_atomically
from tuning.simulation.guide.drawing import picture
from tuning.simulation.guide.driver import driver_holds_speed, driver_takes_over
from tuning.simulation.guide.lost import link_lost, localisation_jump, localisation_lost
from tuning.simulation.guide.road import friction_change, load_change, road_tilt, side_wind
from tuning.simulation.guide.sheet import Sheet
from tuning.simulation.guide.signals import command_link, localisation
from tuning.simulation.guide.stops import stop_demand

__all__ = ["SHEETS", "make"]

SHEETS: Final[dict[str, Callable[[], Sheet]]] = {
    "stop_demand": stop_demand,
    "driver_holds_speed": driver_holds_speed,
    "driver_takes_over": driver_takes_over,
    "link_lost": link_lost,
    "localisation_lost": localisation_lost,
    "localisation_jump": localisation_jump,
    "friction_change": friction_change,
    "side_wind": side_wind,
    "road_tilt": road_tilt,
    "load_change": load_change,
    "localisation": localisation,
    "command_link": command_link,
}
"""Name of a picture -> the function that drives and gathers what it shows."""


def make(folder: str | Path, names: Iterable[str] = tuple(SHEETS)) -> list[Path]:
    """Write pictures as PNG files into a folder and give their paths.

    Args:
        folder: made if it is not there.
        names: keys of `SHEETS`.
    """
    folder = make_folder(folder)
    written = []
    for name in names:
        file = folder / f"{name}.png"
        write_atomically(file, picture(SHEETS[name]()))
        written.append(file)
    return written


def main(arguments: list[str]) -> int:
    """Write all pictures and say where; the exit status is 2 for a folder that cannot be written."""
    if len(arguments) > 1:
        print("usage: python -m tuning.simulation.guide.make [FOLDER]", file=sys.stderr)
        return 2
    try:
        for file in make(arguments[0] if arguments else Path(__file__).parent):
            print(f"{file} ({file.stat().st_size / 1024:.0f} kB)")
    except PathtrimError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
