"""The single-track body: axle stiffnesses in place of an understeer gradient, where mass and its place are known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from tracker.motion.single_track import DYNAMIC_ABOVE, KINEMATIC_BELOW
from tracks.errors import InputError
from tuning.identification.fitted import LateralFit, Settings, run
from tuning.identification.lateral_fit import sensors_of
from tuning.identification.records import Recording
from tuning.identification.sensors import SENSORS
from tuning.identification.steering_problem import SteeringProblem
from tuning.identification.unknowns import Unknown, coordinates, with_priors

__all__ = ["error_of", "fit_tyres", "inertia_unknown", "is_slow", "tyres_show"]

_NEEDED = ("body.mass", "body.front_axle_distance")
# (m/s²)/rad of one axle's stiffness over mass; the vehicle file allows 1000 for both together.
_STIFFEST = 450.0
_SOFTEST = 3.0  # (m/s²)/rad; softer than any tyre that carries its car
_INERTIA = (0.9, 0.15)  # of m a b: mean, and standard deviation over the mean
_STARTS = (30.0, 45.0, 60.0, 90.0, 130.0, 200.0, 300.0)  # (m/s²)/rad of the rear axle; road cars lie near 100


def tyres_show(fitted: LateralFit, known: Mapping[str, Any], model: str) -> bool:
    """Say whether axle stiffnesses should be looked for, or raise `InputError` when they are asked for in vain."""
    missing = [name for name in _NEEDED if name not in known]
    slow = is_slow(fitted.problem.recording)
    speed = fitted.problem.recording.drives.speed[fitted.problem.recording.counts]
    if model == "kinematic":
        return False
    if model == "auto":
        return not missing and not slow and "yaw_rate" in fitted.problem.outputs
    if missing:
        raise InputError(
            f'model="single-track" without {" and ".join(missing)}',
            "mass (kg) and front_axle_distance (m, centre of gravity to front axle)",
            "give both in known: a weighbridge gives the mass and, axle by axle, the place of its centre",
        )
    if slow:
        raise InputError(
            f"90 % of the driving is slower than {np.percentile(speed, 90.0):.3g} m/s",
            f"driving beyond {DYNAMIC_ABOVE:g} m/s, where the single-track model stands alone",
            'use model="kinematic"',
        )
    return True


def is_slow(recording: Recording) -> bool:
    """Say whether the driving is too slow for the single-track body to differ from the kinematic one."""
    speed = recording.drives.speed[recording.counts]
    return float(np.percentile(speed, 90.0)) < 0.5 * (KINEMATIC_BELOW + DYNAMIC_ABOVE)


def fit_tyres(kinematic: LateralFit, known: Mapping[str, Any], settings: Settings) -> LateralFit:
    """Fit the single-track body from where the kinematic one ended, from several stiffnesses.

    The wheelbase stays as the kinematic fit found it. The yaw inertia starts from a prior: published cars lie at 0.75 to
    1.05 of m a b (derived from three published sets).
    """
    values, base = kinematic.values, kinematic.problem
    length = float(values.get("body.wheelbase", base.vehicle.body.wheelbase))
    mass, front = float(known["body.mass"]), float(known["body.front_axle_distance"])
    if front >= length:
        raise InputError(
            f"front_axle_distance is {front:g} m with a wheelbase of {length:g} m",
            "a centre of gravity between the axles",
            "correct whichever is wrong",
        )
    rear = length - front
    stiffest = (_STIFFEST * min(1.0, rear / front), _STIFFEST * min(1.0, front / rear))
    dropped = ("body.wheelbase", "tyres.understeer_gradient", *SENSORS)
    kept = [u for u in base.unknowns if u.name not in dropped]
    gradient = float(values.get("tyres.understeer_gradient", base.vehicle.tyres.understeer_gradient))
    vehicle = base.vehicle.replace(**{"body.wheelbase": length})
    everything = replace(base, left_out=())
    noise = {name: float(np.std(s - m)) for name, (m, s) in everything.compared(values).items()}
    sensors = sensors_of(replace(everything, model="single-track"), known)
    more = [
        unknown for unknown in (inertia_unknown(mass, front, rear), *sensors) if unknown.name not in known
    ]
    trials = []
    for stiffness in _STARTS:
        # K = m b/(C_f L) − m a/(C_r L), solved for C_f at this C_r.
        softness = gradient * length / (mass * rear) + front / (rear * stiffness * mass)
        start_front = 1.0 / max(softness, 1.0 / (_STIFFEST * mass))
        axles = [
            _axle("front", mass, stiffest[0], start_front, known),
            _axle("rear", mass, stiffest[1], stiffness * mass, known),
        ]
        unknowns = (
            *(u.at(values[u.name]) for u in kept),
            *(axle for axle in axles if axle.name not in known),
            *more,
        )
        unknowns = with_priors(unknowns, settings.priors)
        trials.append(replace(everything, vehicle=vehicle, model="single-track", unknowns=unknowns))
    best = min(trials, key=lambda trial: _misfit(trial, noise))
    return replace(run(best, settings, noise, 1), widened=kinematic.widened)


def inertia_unknown(mass: float, front: float, rear: float) -> Unknown:
    """Give the yaw inertia as an unknown with its prior, from mass (kg) and the distances of the axles (m)."""
    usual = _INERTIA[0] * mass * front * rear
    prior = (usual, _INERTIA[1] * usual)
    return Unknown("body.yaw_inertia", "kg m²", usual / 4.0, usual * 4.0, usual, True, prior)


def _misfit(problem: SteeringProblem, noise: Mapping[str, float]) -> float:
    """Give the sum of squares at the first guesses, each output over its noise."""
    residuals = problem.residuals(coordinates(problem.unknowns))
    return sum(float(np.sum((r / noise[name]) ** 2)) for name, r in residuals.items())


def _axle(which: str, mass: float, stiffest: float, start: float, known: Mapping[str, Any]) -> Unknown:
    name = f"tyres.cornering_stiffness_{which}"
    return Unknown(name, "N/rad", _SOFTEST * mass, stiffest * mass, _SOFTEST * mass, True).at(
        float(known.get(name, start))
    )


def error_of(fitted: LateralFit, recording: Recording, scale: Mapping[str, float]) -> float:
    """Give the mean squared difference of a fit from all that was measured in other driving.

    Args:
        fitted: whose values are used.
        recording: the other driving.
        scale: output -> what its differences are divided by, so that two models compare.
    """
    pairs = fitted.problem.judging(recording).compared(fitted.values)
    return sum(
        float(np.mean(((s - m) / scale[name]) ** 2)) for name, (m, s) in pairs.items() if name in scale
    )
