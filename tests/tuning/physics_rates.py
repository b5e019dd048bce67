"""How often sound drives are doubted, and how often a fault is found: `python tests/tuning/physics_rates.py false|found FIRST COUNT`.

Not a test: the figures of `tuning/logs/physics/README.md`, over drives drawn at random (seeds FIRST to FIRST + COUNT).
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np
from sound_drives import FAULTS, changed, drive, random_setting, unsigned

from tuning.logs.physics import check_physics


def falsely_doubted(first: int, count: int) -> None:
    """Print each false doubt and their number; every second drive lacks channels, every third a known wheelbase."""
    wrong = 0
    for seed in range(first, first + count):
        setting = random_setting(seed)
        log, rng = drive(setting), np.random.default_rng(seed)
        names = [name for name in log.data if name not in ("time", "speed", "curvature_command")]
        missing = {name: None for name in names if rng.random() < 0.3} if seed % 2 else {}
        known = {"body.wheelbase": setting.wheelbase} if seed % 3 else {}
        doubts = [f.text for f in check_physics([changed(log, **missing)], known) if f.is_doubt]
        wrong += bool(doubts)
        if doubts:
            print(setting, *doubts, sep="\n    ")
    print(f"{wrong} of {count} sound drives doubted")


def found(first: int, count: int) -> None:
    """Print for each fault in how many drives it is named, and in how many anything at all is doubted."""
    named: Counter[str] = Counter()
    doubted: Counter[str] = Counter()
    drives = 0
    for seed in range(first, first + count):
        setting = random_setting(seed)
        if setting.style == "tiny":  # steering within noise: nothing could be told
            continue
        drives += 1
        log, known = drive(setting), {"body.wheelbase": setting.wheelbase}
        faulty = {name: (changed(log, **put(log)), words) for name, (put, _, words) in FAULTS.items()}
        faulty["speed without sign"] = (unsigned(setting), "without a sign")
        for name, (one, words) in faulty.items():
            said = check_physics([one], known)
            named[name] += any(words in finding.text for finding in said)
            doubted[name] += any(finding.is_doubt for finding in said)
    for name in (*FAULTS, "speed without sign"):
        print(f"{name:38s} named {named[name]}, doubted {doubted[name]} of {drives}")


if __name__ == "__main__":
    {"false": falsely_doubted, "found": found}[sys.argv[1]](int(sys.argv[2]), int(sys.argv[3]))
