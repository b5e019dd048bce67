"""What it takes to identify a long log: ten minutes at 100 Hz with every channel."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("identification_log.py")
SECONDS = 10.0  # on two cores, kernels compiled
MEGABYTES = 1000.0


@pytest.fixture(scope="module")
def measured() -> dict:
    """Identify it in a process of its own."""
    done = subprocess.run([sys.executable, str(SCRIPT)], capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


def test_ten_minutes_are_identified_in_ten_seconds(measured, capsys):
    """Steering, body, speed loop and sensors of 60 000 samples, and the values are right."""
    with capsys.disabled():
        print(
            f"\nten minutes at 100 Hz ({measured['model']}): {measured['seconds']:.1f} s, of two cores "
            f"{measured['processor']:.1f} s, {measured['megabytes']:.0f} MB at the most"
        )
    assert measured["samples"] == 60000
    assert measured["found"]["steering.dead_time"] == pytest.approx(0.087, abs=0.0033)
    assert measured["found"]["steering.natural_frequency"] == pytest.approx(14.0, rel=0.05)
    assert measured["seconds"] < SECONDS


def test_ten_minutes_take_less_than_a_gigabyte(measured):
    """Peak memory of the whole process, Python and its libraries included."""
    assert measured["megabytes"] < MEGABYTES
