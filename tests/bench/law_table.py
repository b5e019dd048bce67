"""Every law with textbook gains and tuned, on every course: the table in `tracker/README.md`.

    python tests/bench/law_table.py            # prints it
    python tests/bench/law_table.py --write    # and puts it into tracker/README.md

The vehicle is an invented shuttle with tyres. Gains are tuned on all courses and the default scenarios together (nominal,
off the path, late steering, noisy position) for the least of the largest usage of the default limits. NonlinearMPC takes the
gains that were tuned for MPC, whose tolerances mean the same, since a step of it takes several times as long.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

import tracker
import tracks
import tuning

README = Path(__file__).resolve().parents[2] / "tracker" / "README.md"
BEGIN, END = "<!-- law table: begin -->", "<!-- law table: end -->"

SHUTTLE = tuning.Vehicle.model_validate(
    {
        "body": {
            "wheelbase": 3.4, "mass": 3600.0, "yaw_inertia": 9800.0, "front_axle_distance": 1.87,
            "width": 2.0, "model": "single-track",
        },
        "tyres": {"cornering_stiffness_front": 130e3, "cornering_stiffness_rear": 165e3},
        "steering": {
            "dead_time": 0.11, "natural_frequency": 11.0, "damping": 0.75, "rate_limit": 0.42,
            "angle_limit": 0.6, "gain": 0.965, "offset": 0.006,
        },
        "drive": {"dead_time": 0.1, "lag": 0.45, "brake_dead_time": 0.1, "brake_lag": 0.16},
    }
)  # fmt: skip

# Gains as books and papers print them, without what this project adds; from memory where not derived.
TEXTBOOK = {
    # A second's travel ahead, and no feed-forward (Coulter 1992).
    "PurePursuit": tracker.PurePursuit(lookahead_time=1.0, feed_forward=False),
    # The paper's form at the front axle, k = 2.5 1/s.
    "Stanley": tracker.Stanley(gain=2.5, feed_forward=False),
    # Equal weights of error, heading and command, as exercises have them, and no preview.
    "PreviewLQR": tracker.PreviewLQR(
        lateral_tolerance=1.0, heading_tolerance=1.0, lateral_velocity_tolerance=1.0, feed_forward=False
    ),
    # Equal weights, two seconds in steps of 0.1 s.
    "MPC": tracker.MPC(
        lateral_tolerance=1.0, heading_tolerance=1.0, lateral_velocity_tolerance=1.0, horizon=20
    ),
    "NonlinearMPC": tracker.NonlinearMPC(
        lateral_tolerance=1.0, heading_tolerance=1.0, lateral_velocity_tolerance=1.0
    ),
}
BUDGET = {"PurePursuit": (64, 60), "Stanley": (64, 60), "PreviewLQR": (64, 60), "MPC": (16, 12)}


def courses() -> list[tracks.Track]:
    """Give the courses, at speeds that make the shuttle work."""
    return [
        tracks.offset_straight(speed=8.0),
        tracks.double_lane_change(speed=8.0),
        tracks.slalom(speed=7.0),
        tracks.constant_radius(speed=7.0),
        tracks.campus_loop(),
    ]


def tuned(workers: int | None) -> dict[str, tracker.Law]:
    """Give every law with gains tuned on all courses."""
    best: dict[str, tracker.Law] = {}
    for name, (candidates, refine) in BUDGET.items():
        study = tuning.tune(
            tracker.LAWS[name], SHUTTLE, courses(), candidates=candidates, refine=refine, workers=workers
        )
        best[name] = study.best
    shared = {name: best["MPC"].gains[name] for name in tracker.MPC.search_space(SHUTTLE.response)}
    best["NonlinearMPC"] = tracker.NonlinearMPC(response=SHUTTLE.response).with_gains(shared)
    return best


def rows(comparison: tuning.Comparison) -> list[dict[str, object]]:
    """Give one row a law with, by course, the largest usage of its drives and RMS and largest error of the nominal one."""
    table = comparison.table
    found = []
    for name in comparison.laws:
        row: dict[str, object] = {"law": name}
        for course in table["track"].unique():
            runs = table[(table["law"] == name) & (table["track"] == course)]
            nominal = runs[runs["scenario"] == "nominal"].iloc[0]
            row[course] = (
                float(runs["usage"].max()),
                float(nominal["lateral_error_rms"]),
                float(nominal["lateral_error_max"]),
            )
        found.append(row)
    return found


def markdown(found: list[dict[str, object]]) -> str:
    """Give the table as Markdown."""
    names = [key for key in found[0] if key != "law"]
    lines = ["| law | " + " | ".join(names) + " |", "|---" * (len(names) + 1) + "|"]
    for row in found:
        cells = [shown(*row[name]) for name in names]  # type: ignore[misc]
        lines.append(f"| {row['law']} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def shown(usage: float, rms: float, largest: float) -> str:
    """Give a cell: usage in per cent, RMS and largest lateral error in cm."""
    return (
        "lost" if not np.isfinite(usage) else f"{100 * usage:.0f} % · {100 * rms:.1f} / {100 * largest:.1f}"
    )


def main() -> None:
    """Tune, drive and print; with --write into the README."""
    parser = argparse.ArgumentParser(description="Every law, textbook gains and tuned, on every course.")
    parser.add_argument("--write", action="store_true", help="put the table into tracker/README.md")
    parser.add_argument("--workers", type=int, default=None)
    arguments = parser.parse_args()
    best = tuned(arguments.workers)
    laws = {}
    for name, law in TEXTBOOK.items():
        laws[f"{name}, textbook"], laws[f"{name}, tuned"] = law, best[name]
    comparison = tuning.compare(laws, SHUTTLE, courses(), workers=arguments.workers)
    table = markdown(rows(comparison))
    for name, law in best.items():
        print(name, {key: law.gains[key] for key in type(law).search_space(SHUTTLE.response)})
    print(table)
    if arguments.write:
        text = README.read_text(encoding="utf-8")
        before, after = text.split(BEGIN)[0], text.split(END)[1]
        README.write_text(f"{before}{BEGIN}\n{table}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
