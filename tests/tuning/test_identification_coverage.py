"""Stated intervals hold the truth about as often as they say: a few drives of four kinds of vehicles.

Four drives of each vehicle show an interval that is far too narrow or a value that is off;
`tests/bench/identification_coverage.py` counts over hundreds. The drives are fixed by their seeds, so what passes does
so always; the bounds are those that honest intervals would exceed once in a thousand draws of new seeds.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from coverage_table import THIRD_OF_A_SAMPLE, one_drive, summary
from coverage_vehicles import VEHICLES, sensors_are_fitted
from scipy.stats import binom

SEEDS = range(1000, 1004)
# Of four intervals of 95 %: P(3 or 4 miss) = 0.0005.
MOST_MISSES = 2
# RMS of errors over stated standard errors: of some ten partly correlated values in four drives, honest ones stay within
# this (by the chi-square distribution of 15 independent ones: 0.55 and 1.58 once in a thousand).
RATIO = (0.55, 1.58)


@pytest.fixture(scope="module", params=VEHICLES)
def drives(request) -> pd.DataFrame:
    """What was found in each drive of a vehicle."""
    sensors = sensors_are_fitted()
    return pd.DataFrame([row for seed in SEEDS for row in one_drive(request.param, seed, sensors=sensors)])


def missed(drives: pd.DataFrame, width: float = 1.0) -> pd.Series:
    """Count the drives whose interval misses the truth, by value; `width` stretches the intervals about the value."""
    reach = width * np.where(
        drives["truth"] > drives["value"], drives["high"] - drives["value"], drives["value"] - drives["low"]
    )
    return (np.abs(drives["truth"] - drives["value"]) > reach).groupby(drives["parameter"], sort=False).sum()


def ratio(drives: pd.DataFrame) -> float:
    """Give the RMS of the errors over their stated standard errors, over all values and drives."""
    return float(np.sqrt(np.mean(((drives["value"] - drives["truth"]) / drives["standard_error"]) ** 2)))


def test_every_value_is_found_with_an_interval(drives):
    """None of these values is left out, and none is only assumed."""
    assert drives["standard_error"].notna().all(), drives.loc[
        drives["standard_error"].isna(), "parameter"
    ].tolist()


def test_intervals_hold_the_truth(drives):
    """No value is missed in more drives than chance allows, nor all of them together."""
    misses = missed(drives)
    assert (misses <= MOST_MISSES).all(), misses[misses > MOST_MISSES].to_dict()
    # As if only half of the values were independent of each other.
    count = len(drives) // 2
    assert misses.sum() / len(drives) <= binom.ppf(0.999, count, 0.05) / count


def test_errors_are_of_the_size_stated(drives):
    """Neither too narrow nor too wide, taken over all values."""
    assert RATIO[0] < ratio(drives) < RATIO[1]


def test_dead_time_is_within_a_third_of_a_sample(drives):
    """RMS of the error of the steering's dead time, 50 Hz."""
    of_dead_time = drives[drives["parameter"] == "steering.dead_time"]
    assert np.sqrt(np.mean((of_dead_time["value"] - of_dead_time["truth"]) ** 2)) < THIRD_OF_A_SAMPLE


def test_nothing_is_biased(drives):
    """The mean error is below 2 % of the truth, or below what the scatter of four drives explains."""
    for line in summary(drives).itertuples():
        assert abs(line.bias) < 2.0 + 4.0 * line.bias_error, (line.parameter, line.bias, line.bias_error)


def test_intervals_a_third_as_wide_would_be_caught(drives):
    """These bounds can fail: intervals of a third of the width miss too often."""
    misses = missed(drives, 1.0 / 3.0)
    count = len(drives) // 2
    assert misses.sum() / len(drives) > binom.ppf(0.999, count, 0.05) / count
    assert ratio(drives.assign(standard_error=drives["standard_error"] / 3.0)) > RATIO[1]
