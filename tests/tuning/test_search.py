"""The search, piece by piece, and whole on a problem whose best gain is known."""

from __future__ import annotations

import math
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path as FilePath

import cloudpickle
import numpy as np
import pytest
from pydantic import Field
from scipy.optimize import brentq

import tracks
import tuning
from tracker import Gain, Law, PurePursuit, Response, Stanley
from tracks import Path, Section, Straight, Track
from tracks.errors import InputError
from tuning import Limits, Localisation, Scenario, Vehicle, simulate, tune
from tuning.search.nelder_mead import nelder_mead
from tuning.search.scoring import UNFINISHED, run_usage, worst
from tuning.search.space import Space

# Workers cannot import a test module by name; a user's script goes to them by value of its own accord.
cloudpickle.register_pickle_by_value(sys.modules[__name__])

NOMINAL = Scenario()
FREE = dict.fromkeys(Limits.model_fields, None)
QUICK = Vehicle.model_validate(
    {
        # The centre of gravity at the rear axle, where lateral acceleration is V²κ and no more.
        "body": {"wheelbase": 2.8, "front_axle_distance": 2.7999},
        "steering": {"dead_time": 0.0, "natural_frequency": 100.0, "damping": 1.0, "rate_limit": 10.0},
    }
)
OFFSET = 1.0


def beside_a_straight(length: float = 300.0, speed: float = 5.0) -> Track:
    """A straight at constant speed that the vehicle starts one metre left of."""
    path = Path.from_segments([Straight(length)])
    section = Section("settle", 0.0, length, step=-OFFSET)
    return Track("straight", path, np.full(path.s.size, speed), sections=(section,), start_offset=OFFSET)


class Weights(Law):
    """A law that runs in Python: curvature from lateral and heading error."""

    lateral: float = Field(default=0.02, gt=0)
    heading: float = Field(default=0.3, gt=0)

    @classmethod
    def search_space(cls, response: Response) -> dict[str, Gain]:
        return {
            "lateral": Gain(0.005, 0.1, True, "1/m²", "curvature per lateral error"),
            "heading": Gain(0.1, 0.7, False, "1/m", "curvature per heading error"),
        }

    def start(self, response, envelope, track, period, speed_factor):
        return _Runner(self)


@dataclass
class _Runner:
    law: Weights
    counts: dict[str, int] = field(default_factory=dict)

    def curvature(self, view):
        return -self.law.lateral * view.lateral_error - self.law.heading * math.sin(view.heading_error)


class Brittle(Weights):
    """Breaks for half of its gains."""

    def start(self, response, envelope, track, period, speed_factor):
        if self.heading > 0.4:
            raise ZeroDivisionError("heading is too much for me")
        return _Runner(self)


class Hopeless(Weights):
    """Breaks always."""

    def start(self, response, envelope, track, period, speed_factor):
        raise ZeroDivisionError("no")


def test_gains_lie_on_their_scales():
    """The middle of the cube is the arithmetic or the geometric mean of a range; its corners are the ends."""
    space = Space({"a": Gain(1.0, 3.0, False, "", ""), "b": Gain(0.01, 100.0, True, "", "")})
    assert space.at(np.array([0.5, 0.5])) == {"a": 2.0, "b": 1.0}
    assert space.at(np.zeros(2)) == {"a": 1.0, "b": 0.01}
    assert space.at(np.ones(2)) == {"a": 3.0, "b": 100.0}


def test_rounded_gains_stay_within_their_range():
    """Six digits are kept, but an end of the range that rounding would leave stands as it is."""
    space = Space({"a": Gain(0.12345642, 1.2345678, False, "", "")})
    assert space.at(np.zeros(1)) == {"a": 0.12345642}
    assert space.at(np.ones(1)) == {"a": 1.2345678}
    assert space.at(np.array([0.5])) == {"a": 0.679012}


def test_sobol_points_fill_the_cube_evenly_and_follow_the_seed():
    """Of 64 points one lies in each 64th of every axis; a seed gives the same points again."""
    space = Space.of(Stanley, Response())
    points = space.sobol(64, seed=5)
    for axis in points.T:
        assert sorted(np.floor(axis * 64)) == list(range(64))
    np.testing.assert_array_equal(points, space.sobol(64, seed=5))
    assert not np.array_equal(points, space.sobol(64, seed=6))


@pytest.mark.parametrize(
    ("gain", "what"),
    [(Gain(2.0, 1.0, False, "", ""), "2.0 to 1.0"), (Gain(0.0, 1.0, True, "", ""), "logarithmic range")],
)
def test_unusable_ranges_are_refused(gain, what):
    """A range needs its lower end first, and above 0 on a logarithmic scale."""

    class Odd(Weights):
        @classmethod
        def search_space(cls, response):
            return {"lateral": gain}

    with pytest.raises(InputError, match=what):
        Space.of(Odd, Response())


def searched(function, start, most=400):
    """Run a search on a function of the unit cube: give (best point, best value, evaluations)."""
    best, value, count = np.array(start), function(np.array(start)), 1
    search = nelder_mead(best, value)
    point = next(search)
    while count < most:
        assert ((point >= 0.0) & (point <= 1.0)).all()
        score = function(point)
        count += 1
        if score < value:
            best, value = point, score
        try:
            point = search.send(score)
        except StopIteration:
            break
    return best, value, count


def test_simplex_finds_a_smooth_minimum():
    """A skewed quadratic in three gains, to a thousandth of the cube in under 300 evaluations."""
    target, skew = np.array([0.3, 0.6, 0.8]), np.array([[1.0, 0.5, 0.0], [0.0, 2.0, 0.3], [0.0, 0.0, 1.0]])
    best, _, count = searched(lambda x: float(np.sum((skew @ (x - target)) ** 2)), [0.5, 0.5, 0.5])
    np.testing.assert_allclose(best, target, atol=2e-3)
    assert count < 300


def test_simplex_finds_a_kink():
    """The larger of two usages that cross, as in a tuning, has a kink at its minimum."""
    best, value, _ = searched(lambda x: max(2.0 * x[0] + x[1], 1.5 - x[0], 1.2 - x[1]), [0.5, 0.5])
    # The three planes meet in the minimum, since no direction falls on all of them.
    a, b, v = np.linalg.solve([[2.0, 1.0, -1.0], [-1.0, 0.0, -1.0], [0.0, -1.0, -1.0]], [0.0, -1.5, -1.2])
    assert value == pytest.approx(v, abs=5e-3)
    np.testing.assert_allclose(best, [a, b], atol=1e-2)


def test_simplex_stays_in_the_cube_and_reaches_its_wall():
    """A minimum beyond the wall is sought on the wall."""
    best, value, _ = searched(lambda x: float(x[0] + (x[1] - 0.4) ** 2), [0.3, 0.7])
    assert value == pytest.approx(0.0, abs=1e-3)
    np.testing.assert_allclose(best, [0.0, 0.4], atol=0.03)


def test_infinite_scores_do_not_stop_the_simplex():
    """Candidates that cannot be run score infinity; the search goes around them."""
    best, _, _ = searched(lambda x: math.inf if x[0] > 0.55 else float((x[0] - 0.3) ** 2), [0.5])
    assert best[0] == pytest.approx(0.3, abs=2e-3)


def test_unfinished_runs_are_worse_than_any_and_ordered_by_how_far_they_came():
    """The search is led toward finishing even where no candidate does."""
    far, near = run_usage(Limits(), {"course_driven": 90.0}), run_usage(Limits(), {"course_driven": 10.0})
    assert 1000.0 < far[UNFINISHED] < near[UNFINISHED] < 2000.0
    assert worst([{"overshoot": 3.0}, far, near, {}]) == (near[UNFINISHED], UNFINISHED, 2)
    assert worst([{}, {}]) == (0.0, "", 0)


def test_the_known_best_lookahead_is_found():
    """Pure pursuit beside a straight: settling distance against the work of the steering has a best lookahead.

    With u = s/L_d the error is e₀ f(u), f = e^(−u) (cos u + sin u), so it settles at u₅ L_d, where f(u₅) = 0.05
    (its overshoot of 4.3 % stays in the band). ∫ f''² du = 1, so that the lateral acceleration has a mean square
    of V⁴ e₀²/L_d⁴ · L_d/(V T) over a run of T seconds. The two usages are equal at
    L_d = (D V^(3/2) e₀/(A u₅ √T))^(2/5) for limits D and A.
    """
    track, speed = beside_a_straight(), 5.0
    distance, acceleration = 50.0, 0.03
    law = PurePursuit(lookahead_time=4.0, shortest_lookahead=1.0, longest_lookahead=200.0)
    duration = simulate(law, QUICK, track).time[-1]
    settled = brentq(lambda u: math.exp(-u) * (math.cos(u) + math.sin(u)) - 0.05, 1.0, 2.3)
    known = (distance * speed**1.5 * OFFSET / (acceleration * settled * math.sqrt(duration))) ** 0.4
    limits = Limits(**{**FREE, "settling_distance": distance, "lateral_acceleration_rms": acceleration})
    study = tune(
        PurePursuit, QUICK, track, limits, NOMINAL, candidates=16, refine=40, workers=1, progress=False,
        fixed={"shortest_lookahead": 1.0, "longest_lookahead": 200.0},
    )  # fmt: skip
    # The steering lags by 0.02 s and the command holds for 0.02 s, against a time constant of L_d/V = 3.4 s; the
    # angles are small to (e₀/L_d)² = 0.4 %: together below 1 %.
    assert study.best.lookahead_time * speed == pytest.approx(known, rel=0.01)
    assert study.candidates["score"].min() == study.best_score
    assert study.best_score == pytest.approx(settled * known / distance, rel=0.01)


def test_a_study_says_what_was_tried_and_what_binds():
    """The table has every candidate with its gains and measures; the usage of the winner explains its score."""
    limits = Limits.gentle()
    scenarios = (NOMINAL, Scenario(name="late", extra_dead_time=0.1))
    roads = (beside_a_straight(), tracks.double_lane_change(speed=5.0))
    study = tune(Stanley, QUICK, roads, limits, scenarios, candidates=8, refine=6, workers=1, progress=False)
    assert list(study.candidates["stage"]) == ["sweep"] * 8 + ["refine"] * 6
    assert study.best.response == QUICK.response
    assert study.best_row["gain"] == study.best.gain
    assert study.best_index == study.candidates["rank"].idxmin()
    assert study.usage["usage"].max() == study.best_score
    binding = study.usage.loc[study.usage["usage"].idxmax()]
    assert (binding["limit"], binding["track"], binding["scenario"]) == tuple(
        study.best_row[["binding_limit", "track", "scenario"]]
    )
    assert set(study.usage["track"]) == {road.name for road in roads}
    assert set(study.usage["scenario"]) == {"nominal", "late"}
    measures = simulate(study.best, QUICK, roads[1], scenarios[1]).measures
    row = study.usage.query(
        "track == @roads[1].name and scenario == 'late' and limit == 'lateral_error_max'"
    ).iloc[0]
    assert row["measure"] == measures["lateral_error_max"]
    assert row["usage"] == row["measure"] / row["bound"]
    assert f"gain {study.best.gain:.4g} 1/s" in study.summary()


def test_the_number_of_workers_changes_nothing(tmp_path):
    """One process and two write the same bytes, for a compiled law and for a law in Python with noise."""
    scenarios = (
        NOMINAL,
        Scenario(name="noisy", localisation=Localisation(noise=0.02, heading_noise=0.002), seed=3),
    )
    # The compiled law drives for two minutes: sums over so many samples are where libraries split work in threads.
    for law, length in ((PurePursuit, 600.0), (Weights, 60.0)):
        track = beside_a_straight(length)
        for workers in (1, 2):
            study = tune(
                law, QUICK, track, None, scenarios, candidates=16, refine=9, starts=3, seed=7, workers=workers,
                progress=False,
            )  # fmt: skip
            study.save(tmp_path / f"{law.__name__}-{workers}")
        for file in ("study.json", "candidates.parquet", "usage.parquet"):
            one, two = (tmp_path / f"{law.__name__}-{n}" / file for n in (1, 2))
            assert one.read_bytes() == two.read_bytes()


@pytest.mark.parametrize("workers", [1, 2])
def test_a_candidate_that_fails_is_an_outcome(workers):
    """A law that raises for some gains has those candidates scored infinite with the reason, and the rest tuned."""
    study = tune(
        Brittle,
        QUICK,
        beside_a_straight(40.0),
        None,
        NOMINAL,
        candidates=8,
        refine=4,
        workers=workers,
        progress=False,
    )
    failed = study.candidates["heading"] > 0.4
    assert failed.any()
    assert not failed.all()
    assert (np.isinf(study.candidates["score"]) == failed).all()
    assert set(study.candidates.loc[failed, "failure"]) == {"ZeroDivisionError: heading is too much for me"}
    assert set(study.candidates.loc[failed, "outcome"]) == {"failed"}
    assert study.best.heading <= 0.4


def test_when_every_candidate_fails_the_reason_is_raised():
    """A law that never runs is a fault of the law: its reason is in the message."""
    with pytest.raises(InputError, match=r"not one of 4 candidates of Hopeless .*ZeroDivisionError: no"):
        tune(Hopeless, QUICK, beside_a_straight(40.0), None, NOMINAL, candidates=4, workers=1, progress=False)


def test_gains_that_exclude_each_other_are_a_failure_with_a_reason():
    """A search range beyond what the law accepts costs candidates, not the study."""
    study = tune(
        PurePursuit, QUICK, beside_a_straight(60.0), None, NOMINAL, candidates=8, refine=0, workers=1, progress=False,
        fixed={"longest_lookahead": 4.0},
    )  # fmt: skip
    beyond = study.candidates["shortest_lookahead"] > 4.0
    assert beyond.any()
    assert study.candidates.loc[beyond, "failure"].str.contains("shortest_lookahead").all()


def test_fixed_values_are_kept_and_not_tuned():
    """A fixed gain stands in every candidate and has no column of its own."""
    study = tune(
        Stanley, QUICK, beside_a_straight(60.0), None, NOMINAL, candidates=4, refine=2, workers=1, progress=False,
        fixed={"softening": 0.5, "feed_forward": False},
    )  # fmt: skip
    assert (study.best.softening, study.best.feed_forward) == (0.5, False)
    assert set(study.gains) == {"gain"}
    assert "softening" not in study.candidates


def test_progress_is_told_to_a_function():
    """The function hears of every candidate, and of the end."""
    heard = []
    tune(
        Stanley, QUICK, beside_a_straight(60.0), None, NOMINAL, candidates=4, refine=3, workers=1,
        progress=lambda done, total: heard.append((done, total)),
    )  # fmt: skip
    assert heard == [(n, 7) for n in range(1, 8)]


def test_an_interrupt_stops_the_workers_and_leaves_a_usable_pool():
    """Ctrl-C in the midst raises KeyboardInterrupt; the next study starts new workers."""

    def interrupt(done, total):
        raise KeyboardInterrupt

    arguments = (Weights, QUICK, beside_a_straight(60.0), None, NOMINAL)
    with pytest.raises(KeyboardInterrupt):
        tune(*arguments, candidates=8, refine=0, workers=2, progress=interrupt)
    study = tune(*arguments, candidates=4, refine=0, workers=2, progress=False)
    assert len(study.candidates) == 4


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"law": PurePursuit()}, "law is PurePursuit"),
        ({"law": int}, "a class of law"),
        ({"tracks": []}, "no track is given"),
        ({"tracks": [beside_a_straight(), beside_a_straight()]}, 'two tracks are called "straight"'),
        ({"scenarios": []}, "no scenario is given"),
        ({"scenarios": [NOMINAL, NOMINAL]}, 'two scenarios are called "nominal"'),
        ({"candidates": 48}, "candidates is 48"),
        ({"candidates": 0}, "candidates is 0"),
        ({"refine": -1}, "refine is -1"),
        ({"workers": 0}, "workers is 0"),
        ({"fixed": {"k": 1.0}}, "k is fixed"),
        ({"fixed": {"gain": 1.0, "softening": 1.0}}, "every gain of Stanley is fixed"),
    ],
)
def test_impossible_settings_are_refused(changes, what):
    """Each is refused before anything runs, by name."""
    arguments = {
        "law": Stanley,
        "vehicle": QUICK,
        "tracks": beside_a_straight(),
        "progress": False,
        **changes,
    }
    with pytest.raises(InputError, match=what):
        tune(**arguments)


def test_a_law_of_ones_own_is_tuned_from_a_script(tmp_path):
    """A script without a `__main__` guard defines a law and tunes it with two workers."""
    script = tmp_path / "own.py"
    script.write_text(OWN_LAW)
    # The package under test, with its compiled kernels, and not the sources beside it, which may be another's.
    root = FilePath(tuning.__file__).resolve().parents[1]
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, timeout=300, check=False,
        env={"PYTHONPATH": str(root), "PATH": "/usr/bin:/bin"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["8", "sweep", "Mine"]


OWN_LAW = '''
"""A law of a user's own."""

from __future__ import annotations

import math

from pydantic import Field

import tracks
import tuning
from tracker import Gain, Law


class Mine(Law):
    """Curvature from lateral and heading error."""

    weight: float = Field(default=0.02, gt=0)

    @classmethod
    def search_space(cls, response):
        return {"weight": Gain(0.005, 0.1, True, "1/m²", "curvature per lateral error")}

    def start(self, response, envelope, track, period, speed_factor):
        return Runner(self.weight)


class Runner:
    def __init__(self, weight):
        self.weight, self.counts = weight, {}

    def curvature(self, view):
        return view.path_curvature - self.weight * view.lateral_error - 0.3 * math.sin(view.heading_error)


vehicle = tuning.Vehicle(body={"wheelbase": 2.8})
track = tracks.offset_straight(speed=5.0)
study = tuning.tune(Mine, vehicle, track, candidates=8, refine=0, workers=2, progress=False)
print(len(study.candidates), study.best_row["stage"], study.best.name)
'''
