"""Maps of margins, margins over speed and over draws: what they hold, what they write, what they refuse."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from stability_drives import CAR

import tracker
import tuning
from tracks.errors import InputError
from tuning.stability import (
    Setting,
    StabilityFindings,
    StabilityLimits,
    drawn_from_intervals,
    loop_at,
    map_of,
    margins_over_speed,
    robustness,
    stability_map,
)
from tuning.stability.tables import COLUMNS

SPEEDS = np.array([4.0, 9.0, 14.0])
KNOWN = CAR.replace(
    provenance=tuning.vehicle.Provenance(
        intervals={"steering.dead_time": (0.05, 0.084), "tyres.cornering_stiffness_rear": (140e3, 180e3)}
    )
)


@pytest.fixture(scope="module")
def found():
    """A small map of the Stanley law, part of it unstable."""
    return stability_map(
        tracker.Stanley(), CAR, "gain", np.geomspace(0.2, 40.0, 9), SPEEDS, compensate_dead_time=False
    )


def test_each_place_of_a_map_has_the_margins_of_its_own_loop(found):
    """A row of laws that share a drive gives what each law gives alone, by name and in the unit of the limits."""
    for i, j in ((0, 0), (1, 3), (2, 1)):
        alone = tuning.margins(
            tracker.Stanley(gain=found.values[j]), CAR, SPEEDS[i], compensate_dead_time=False
        ).as_dict()
        for name in COLUMNS:
            assert found.margins[name][i, j] == pytest.approx(alone[name], rel=1e-6, abs=1e-12, nan_ok=True)


def test_the_edge_lies_between_stable_and_unstable(found):
    """At the edge the outermost pole is on the unit circle; every column that changes has one."""
    changing = np.any(found.stable, axis=1) & ~np.all(found.stable, axis=1)
    assert set(found.edge[:, 0]) == set(SPEEDS[changing])
    assert changing.sum() >= 2
    for speed, value in found.edge:
        loop = loop_at(tracker.Stanley(gain=value), Setting(CAR, compensate_dead_time=False), speed)
        assert loop.radius() == pytest.approx(1.0, abs=2e-5)
    assert np.all(found.margins["delay_margin"][~found.stable] == 0.0)


def test_a_map_in_a_curve_takes_each_law_at_its_own_lateral_error():
    """In a curve laws leave different errors: each value of the gain is linearised about its own."""
    law = tracker.PurePursuit(shortest_lookahead=0.5)
    curved = map_of(law, Setting(CAR), "lookahead_time", [0.8, 1.6], [9.0], curvature=0.01)
    for j, value in enumerate((0.8, 1.6)):
        alone = tuning.margins(law.with_gains({"lookahead_time": value}), CAR, 9.0, curvature=0.01)
        assert curved.margins["lateral_error"][0, j] == pytest.approx(alone.lateral_error, abs=1e-9)
        assert curved.margins["phase_margin"][0, j] == pytest.approx(alone.phase_degrees, rel=1e-6)
    assert curved.margins["lateral_error"][0, 0] != curved.margins["lateral_error"][0, 1]


def test_scheduled_gains_are_taken_at_their_speed():
    """A gain over speed gives at each knot the margins of the number that it has there."""
    law = tracker.Stanley(gain=tracker.Schedule(speeds=(4.0, 14.0), values=(2.0, 0.5)))
    over = margins_over_speed(law, Setting(CAR), [4.0, 14.0])
    for margins, speed, gain in zip(over.found, (4.0, 14.0), (2.0, 0.5), strict=True):
        alone = tuning.margins(tracker.Stanley(gain=gain), CAR, speed)
        assert margins.phase == pytest.approx(alone.phase, rel=1e-9)


def test_limits_tell_what_is_missing_and_where():
    """The verdict is that of the speed at which a limit is used most; an unstable speed breaks all."""
    over = margins_over_speed(tracker.Stanley(), CAR, SPEEDS)
    names = [name for name, _ in over.usages]
    usages = np.array([usage for _, usage in over.usages])
    assert over.worst == int(np.argmax(usages))
    assert not over.keeps_limits
    name = names[over.worst]
    value = over.found[over.worst].as_dict()[name]
    assert usages[over.worst] == pytest.approx(over.limits.active[name] / value)
    free = StabilityLimits(gain_margin=None, gain_reduction=None, phase_margin=None, delay_margin=None)
    assert margins_over_speed(tracker.Stanley(), CAR, SPEEDS[:2], limits=free).keeps_limits
    late = margins_over_speed(tracker.Stanley(), Setting(CAR, extra_dead_time=0.5), [14.0], limits=free)
    assert not late.found[0].stable
    assert not late.keeps_limits


def test_draws_are_driven_by_a_tracker_that_believes_in_the_identified_vehicle():
    """Margins of each draw are those of that vehicle with the identified one's response; shares count them."""
    vehicles = drawn_from_intervals(KNOWN, 6, seed=4)
    setting = Setting(KNOWN)
    law = tracker.Stanley(gain=0.6)
    spread = robustness(law, vehicles, [6.0, 14.0], setting=setting)
    alone = tuning.margins(law, vehicles[2], 14.0, response=KNOWN.response)
    assert spread.margins["phase_margin"][1, 2] == pytest.approx(alone.phase_degrees, rel=1e-9)
    assert spread.worst("phase_margin")[1] == spread.margins["phase_margin"][1].min()
    assert spread.quantile("phase_margin", 0.0) == pytest.approx(spread.worst("phase_margin"))
    kept = (
        (spread.margins["phase_margin"] >= 40.0)
        & (spread.margins["gain_margin"] >= 6.0)
        & (spread.margins["gain_reduction"] >= 6.0)
        & (spread.margins["delay_margin"] >= 0.05)
    )
    assert spread.share_kept == pytest.approx(kept.mean(axis=1))
    assert np.all(spread.share_stable >= spread.share_kept)


def test_draws_from_intervals_scatter_as_the_intervals_say():
    """Mean and deviation of many draws are those of a normal distribution with that 95 % interval."""
    drawn = np.array([v.steering.dead_time for v in drawn_from_intervals(KNOWN, 800)])
    assert drawn.mean() == pytest.approx(0.067, abs=0.001)
    assert drawn.std() == pytest.approx(0.017 / 1.96, rel=0.1)
    again = drawn_from_intervals(KNOWN, 3, seed=9)
    assert [v.steering.dead_time for v in again] == [
        v.steering.dead_time for v in drawn_from_intervals(KNOWN, 3, seed=9)
    ]


def test_tables_are_written_with_units_and_read_back(found, tmp_path):
    """CSV and Parquet hold the same rows, with the units in the names of the columns."""
    files = found.save(tmp_path)
    assert [file.name for file in files] == ["map.csv", "map.parquet", "map-edge.csv"]
    table = pd.read_parquet(files[1])
    pd.testing.assert_frame_equal(table, pd.read_csv(files[0]), rtol=1e-12)
    assert list(table.columns[:3]) == ["law", "speed_m_s", "gain"]
    assert set(COLUMNS.values()) <= set(table.columns)
    assert len(table) == found.stable.size
    row = table[(table.speed_m_s == SPEEDS[1]) & (table.gain == found.values[2])].iloc[0]
    assert row.delay_margin_s == found.margins["delay_margin"][1, 2]
    spread = robustness(tracker.Stanley(), [CAR, KNOWN], [6.0], setting=Setting(CAR))
    assert len(pd.read_csv(spread.save(tmp_path)[0])) == 2


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: stability_map(tracker.Stanley(), CAR, "damping"), "no gain 'damping'"),
        (lambda: stability_map(tracker.Stanley(), CAR, "gain", [2.0, 1.0]), "values of gain"),
        (lambda: stability_map(tracker.Stanley(), CAR, "gain", [-1.0, 1.0], [5.0]), "gain"),
        (lambda: stability_map(tracker.Stanley(), CAR, "gain", [1.0, 2.0], [5.0, 4.0]), "speeds are"),
        (lambda: robustness(tracker.Stanley(), [], [5.0], setting=Setting(CAR)), "no vehicles"),
        (lambda: drawn_from_intervals(CAR, 3), "no intervals"),
    ],
)
def test_what_cannot_be_mapped_is_refused(call, said):
    """Unknown gains, values out of order or that the law refuses, and missing draws are one sentence each."""
    with pytest.raises(InputError, match=said):
        call()


def test_progress_is_told_speed_by_speed():
    """A function of the caller's hears of every speed of a map, and of the end."""
    heard: list[tuple[int, int]] = []
    map_of(
        tracker.Stanley(), Setting(CAR), "gain", [0.5, 1.0], SPEEDS, progress=lambda *pair: heard.append(pair)
    )
    assert heard == [(1, 3), (2, 3), (3, 3)]


def test_findings_show_the_loop_where_a_limit_is_used_most():
    """The loop of a report is that of the worst speed."""
    over = margins_over_speed(tracker.Stanley(), CAR, SPEEDS)
    one = StabilityFindings("Stanley", over)
    assert one.loop.drive.speed == one.shown_speed == SPEEDS[over.worst]
    assert one.keeps_limits == over.keeps_limits
