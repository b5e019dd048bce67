"""How often the stated 95 % intervals hold the truth: many drives of four vehicles whose every value is known.

    python tests/bench/identification_coverage.py --seeds 200 --workers 2

Each drive is kept in `results.csv` of the output folder as it is done, so an interrupted run goes on where it was; the
table goes to `coverage.csv`. Exit status 1 where a claim does not hold, 2 where the folder holds results of other code. The
vehicles are integrated by `tests/tuning/independent_drives.py`, which shares nothing with the identification.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import tempfile
import time
import warnings
from pathlib import Path

import pandas as pd

_HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(_HERE.parents[1]), str(_HERE.parent / "tuning")]

from coverage_table import failures, one_drive, printed, summary  # noqa: E402
from coverage_vehicles import VEHICLES, sensors_are_fitted  # noqa: E402


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=200, help="drives of each vehicle")
    parser.add_argument("--workers", type=int, default=2, help="processes")
    parser.add_argument(
        "--vehicle", action="append", choices=list(VEHICLES), help="only this one; may be repeated"
    )
    parser.add_argument(
        "--out",
        type=Path,
        default=Path(tempfile.gettempdir()) / "identification-coverage",
        help="folder of the results",
    )
    parser.add_argument(
        "--sensors",
        choices=("auto", "yes", "no"),
        default="auto",
        help="sensors with offset and lag; auto: if they are fitted",
    )
    return parser.parse_args()


def _one(vehicle: str, seed: int, sensors: bool) -> list[dict]:
    # A worker must not print what the drives of this bench are meant to provoke.
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return one_drive(vehicle, seed, sensors=sensors)


def _fingerprint(sensors: bool) -> str:
    """Give a sum over everything that the results depend on, so that old ones are not mixed with new ones."""
    root = _HERE.parents[1]
    files = [file for room in ("identification", "vehicle") for file in (root / "tuning" / room).glob("*.py")]
    files += [_HERE.parent / "tuning" / f"{name}.py" for name in ("independent_drives", "coverage_vehicles")]
    total = hashlib.sha256(str(sensors).encode())
    for file in sorted(files):
        total.update(file.read_bytes())
    return total.hexdigest()


def main() -> int:
    """Run what is missing, print the table, give 1 where a claim does not hold."""
    from loky import get_reusable_executor

    chosen = _arguments()
    sensors = sensors_are_fitted() if chosen.sensors == "auto" else chosen.sensors == "yes"
    chosen.out.mkdir(parents=True, exist_ok=True)
    file, mark = chosen.out / "results.csv", chosen.out / "code.sha256"
    now = _fingerprint(sensors)
    if file.exists() and (not mark.exists() or mark.read_text(encoding="ascii") != now):
        print(
            f"{chosen.out} holds results of other code or options: name another folder with --out, or delete it"
        )
        return 2
    mark.write_text(now, encoding="ascii")
    done: set[tuple[str, int]] = set()
    if file.exists():
        done = {(v, int(s)) for v, s in pd.read_csv(file)[["vehicle", "seed"]].drop_duplicates().to_numpy()}
    # Seed by seed over all vehicles, so that a run cut short has something to say of each.
    vehicles = chosen.vehicle or list(VEHICLES)
    jobs = [(v, s) for s in range(chosen.seeds) for v in vehicles if (v, s) not in done]
    print(
        f"{len(jobs)} drives to do, {len(done)} done; sensors {'with' if sensors else 'without'} offset and lag"
    )
    start = time.perf_counter()
    if jobs:
        with get_reusable_executor(max_workers=chosen.workers) as pool:
            parts = pool.map(_one, *zip(*((v, s, sensors) for v, s in jobs), strict=True))
            for count, rows in enumerate(parts, start=1):
                pd.DataFrame(rows).to_csv(file, mode="a", header=not file.exists(), index=False)
                passed = time.perf_counter() - start
                left = passed / count * (len(jobs) - count)
                print(
                    f"\r{count}/{len(jobs)} drives, {passed:.0f} s, about {left:.0f} s left",
                    end="",
                    flush=True,
                )
        print()
    results = pd.read_csv(file)
    results = results[results["vehicle"].isin(vehicles) & (results["seed"] < chosen.seeds)]
    table = summary(results)
    table.to_csv(chosen.out / "coverage.csv", index=False)
    print(printed(table))
    seconds = results.groupby(["vehicle", "seed"])["seconds"].first().groupby("vehicle", sort=False).median()
    print("\nseconds an identification, median: " + ", ".join(f"{v} {s:.1f}" for v, s in seconds.items()))
    missed = failures(results)
    print("\n" + ("\n".join(missed) if missed else "every claim holds"))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
