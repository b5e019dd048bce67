"""Every law with textbook gains and tuned, on every course: the table in `tracker/README.md`.

    python tests/bench/law_table.py            # prints it
    python tests/bench/law_table.py --write    # and puts it into tracker/README.md

The vehicle is an invented shuttle with tyres. Gains are tuned in the default scenarios (nominal, off the path, late steering,
noisy position) for the least of the largest usage of the default limits, once on all courses together and once on each
alone. NonlinearMPC takes the gains that were tuned for MPC, whose tolerances mean the same, since a step of it takes
several times as long. Some ten minutes on two cores.
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


def tuned(on: list[tracks.Track], workers: int | None) -> dict[str, tracker.Law]:
    """Give every law with gains tuned on some courses."""
    best: dict[str, tracker.Law] = {}
    for name, (candidates, refine) in BUDGET.items():
        study = tuning.tune(
            tracker.LAWS[name], SHUTTLE, on, candidates=candidates, refine=refine, workers=workers
        )
        best[name] = study.best
    shared = {name: best["MPC"].gains[name] for name in tracker.MPC.search_space(SHUTTLE.response)}
    best["NonlinearMPC"] = tracker.NonlinearMPC(response=SHUTTLE.response).with_gains(shared)
    return best


def cells(laws: dict[str, tracker.Law], course: tracks.Track, workers: int | None) -> dict[str, str]:
    """Give the cell of each law on a course."""
    table = tuning.compare(laws, SHUTTLE, course, workers=workers).table
    found = {}
    for name in laws:
        runs = table[table["law"] == name]
        nominal = runs[runs["scenario"] == "nominal"].iloc[0]
        found[name] = shown(
            float(runs["usage"].max()),
            float(nominal["lateral_error_rms"]),
            float(nominal["lateral_error_max"]),
        )
    return found


def shown(usage: float, rms: float, largest: float) -> str:
    """Give a cell: usage in per cent, RMS and largest lateral error in cm."""
    return (
        "lost" if not np.isfinite(usage) else f"{100 * usage:.0f} % · {100 * rms:.1f} / {100 * largest:.1f}"
    )


def markdown(columns: dict[str, dict[str, str]]) -> str:
    """Give the table as Markdown: a column a course, a row a law and set of gains."""
    names = list(next(iter(columns.values())))
    lines = ["| law, gains | " + " | ".join(columns) + " |", "|---" * (len(columns) + 1) + "|"]
    lines += [
        f"| {name} | " + " | ".join(column[name] for column in columns.values()) + " |" for name in names
    ]
    return "\n".join(lines)


def main() -> None:
    """Tune, drive and print; with --write into the README."""
    parser = argparse.ArgumentParser(description="Every law, textbook gains and tuned, on every course.")
    parser.add_argument("--write", action="store_true", help="put the table into tracker/README.md")
    parser.add_argument("--workers", type=int, default=None)
    arguments = parser.parse_args()
    everywhere = tuned(courses(), arguments.workers)
    for name, law in everywhere.items():
        print(name, {key: law.gains[key] for key in type(law).search_space(SHUTTLE.response)})
    columns = {}
    for course in courses():
        here = tuned([course], arguments.workers)
        laws = {}
        for name, law in TEXTBOOK.items():
            laws[f"{name}, textbook"] = law
            laws[f"{name}, tuned on all courses"] = everywhere[name]
            laws[f"{name}, tuned on this course"] = here[name]
        columns[course.name] = cells(laws, course, arguments.workers)
    table = markdown(columns)
    print(table)
    if arguments.write:
        text = README.read_text(encoding="utf-8")
        before, after = text.split(BEGIN)[0], text.split(END)[1]
        README.write_text(f"{before}{BEGIN}\n{table}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
