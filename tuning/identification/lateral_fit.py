"""Steering and body: choose the unknowns, fit them, and decide which model and which limits the logs support."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.identification.choices import choose_limit, choose_order, part_wheelbase
from tuning.identification.fitted import LateralFit, Settings, run
from tuning.identification.guesses import Guess, first_guess
from tuning.identification.identifiable import check_can_tell, check_sign, understeer_shows
from tuning.identification.known import NOT_VEHICLE
from tuning.identification.records import Recording
from tuning.identification.sensors import sensor_unknowns
from tuning.identification.static_map import first_map, map_unknowns, place_knots
from tuning.identification.steering_problem import SteeringProblem
from tuning.identification.unknowns import Unknown, with_priors
from tuning.vehicle import Vehicle

__all__ = ["NO_ANGLE_LIMIT", "NO_RATE_LIMIT", "fit_lateral", "given_of", "sensors_of"]

Array = NDArray[np.float64]

# rad/(m/s²), mean and standard deviation: passenger cars lie at 2 to 4.7 deg/g (secondary source), 0.0036 to 0.0084;
# light buses and small vehicles below. Common practice, no source.
USUAL_UNDERSTEER = (0.003, 0.003)

NO_RATE_LIMIT = 100.0  # rad/s, the largest that a vehicle file takes: no log reaches it
NO_ANGLE_LIMIT = 1.4  # rad, likewise


def fit_lateral(
    recording: Recording, interface: str, known: Mapping[str, Any], settings: Settings, findings: list[str]
) -> LateralFit:
    """Fit the kinematic body with understeer and the sensors, then whatever else the logs show.

    Args:
        recording: the data to fit.
        interface: of the steering.
        known: values by dotted name.
        settings: starts, seed and priors.
        findings: gets what the reader of the result should know.

    Raises:
        InputError: the logs cannot tell what is asked of them.
    """
    outputs = [name for name in recording.measured if name != "speed"]
    check_can_tell(interface, outputs, known)
    guess = first_guess(recording)
    check_sign(guess.command, guess.curvature if "steering_angle" not in outputs else guess.angle)
    wheelbase = float(known.get("body.wheelbase", 0.0)) or _guess_wheelbase(guess, interface, known)
    vehicle = base_vehicle(interface, known, wheelbase)
    unknowns, knots = _unknowns(recording, vehicle, guess, interface, known)
    # To a kinematic body the lateral acceleration is speed × yaw rate: it says nothing new, and the states that it
    # alone needs would triple the time.
    left_out = ("lateral_acceleration",) if "yaw_rate" in outputs else ()
    problem = SteeringProblem(
        vehicle, "kinematic", tuple(unknowns), recording, knots, left_out=left_out, given=given_of(known)
    )
    problem = replace(problem, unknowns=(*unknowns, *sensors_of(problem, known)))
    problem = replace(problem, unknowns=with_priors(problem.unknowns, settings.priors))
    noise = _first_noise(problem)
    found = choose_order(choose_limit(run(problem, settings, noise), known))
    names = [u.name for u in found.problem.unknowns if u.prior is None]
    if "body.wheelbase" in names and "tyres.understeer_gradient" in names:
        found = part_wheelbase(found, settings, findings)
    return found


def sensors_of(problem: SteeringProblem, known: Mapping[str, Any]) -> tuple[Unknown, ...]:
    """Give what is unknown of the sensors of a problem and of its roads."""
    recording = problem.recording
    heading = "yaw_rate" in recording.measured and recording.measured["yaw_rate"].back is not None
    logs = int(recording.log.max()) + 1
    return sensor_unknowns(problem.model, problem.outputs, heading, logs, known)


def given_of(known: Mapping[str, Any]) -> dict[str, float]:
    """Give the known values of sensors and roads."""
    return {name: float(value) for name, value in known.items() if name.split(".")[0] in NOT_VEHICLE}


def base_vehicle(interface: str, known: Mapping[str, Any], wheelbase: float) -> Vehicle:
    """Give a vehicle of the known values, without limits unless they are known."""
    tables: dict[str, dict[str, Any]] = {
        "body": {"wheelbase": wheelbase},
        "steering": {"interface": interface, "rate_limit": NO_RATE_LIMIT, "angle_limit": NO_ANGLE_LIMIT},
    }
    if interface == "number" and "steering.map_angle" not in known:
        tables["steering"] |= {"map_command": (-1.0, 1.0), "map_angle": (-0.5, 0.5)}
    for name, value in known.items():
        table, field = name.split(".")
        if table in NOT_VEHICLE:
            continue
        tables.setdefault(table, {})[field] = value
    tables["body"]["model"] = "kinematic"
    return Vehicle.model_validate(tables)


def _first_noise(problem: SteeringProblem) -> dict[str, float]:
    measured = problem.recording.measured
    return {name: 0.2 * float(np.std(measured[name].values)) or 1.0 for name in problem.outputs}


def _guess_wheelbase(guess: Guess, interface: str, known: Mapping[str, Any]) -> float:
    """Give tan δ over curvature, with δ measured or, where what the command means is known, commanded."""
    angle = guess.angle
    if np.all(np.isnan(angle)):
        angle = float(known.get("steering.gain", 1.0)) * guess.command
        if interface == "number":
            angle = np.interp(guess.command, known["steering.map_command"], known["steering.map_angle"])
    bent = np.tan(angle - np.mean(angle))
    turned = guess.curvature - np.mean(guess.curvature)
    return float(np.clip(bent @ turned / max(float(turned @ turned), 1e-12), 0.05, 25.0))


def _unknowns(
    recording: Recording,
    vehicle: Vehicle,
    guess: Guess,
    interface: str,
    known: Mapping[str, Any],
) -> tuple[list[Unknown], Array]:
    """Give what is to be found, and the knots of a static map if that is among it."""
    outputs = [name for name in recording.measured if name != "speed"]
    length = vehicle.body.wheelbase
    damping = 0.9
    lag = max(0.6 * guess.delay, 0.05)
    candidates = [
        Unknown("steering.dead_time", "s", 0.0, 1.0, 0.0).at(0.4 * guess.delay),
        Unknown("steering.natural_frequency", "rad/s", 0.5, 100.0, 1.0, True).at(2.0 * damping / lag),
        Unknown("steering.damping", "", 0.2, 2.0, damping, True),
        Unknown("body.wheelbase", "m", length / 4.0, min(length * 4.0, 30.0), length, True),
    ]
    if "steering.lag" in known:
        candidates = [
            u for u in candidates if u.name not in ("steering.natural_frequency", "steering.damping")
        ]
    fast = float(np.percentile(guess.speed, 95.0))
    if any(name in outputs for name in ("yaw_rate", "lateral_acceleration")):
        room = length / fast**2
        gradient = Unknown(
            "tyres.understeer_gradient", "rad/(m/s²)", max(-0.5 * room, -0.1), min(2.0 * room, 0.1), 0.0
        )
        if not understeer_shows(guess.speed, interface, outputs, known):
            # Without it the fit would take what there is of understeer for certain, as gain.
            gradient = replace(gradient, prior=USUAL_UNDERSTEER).at(USUAL_UNDERSTEER[0])
        candidates.append(gradient)
    knots = np.zeros(0)
    if interface == "number" and "steering.map_angle" not in known:
        knots = place_knots(recording.command[recording.counts])
        angle = np.where(np.isnan(guess.angle), np.arctan(length * guess.curvature), guess.angle)
        candidates += map_unknowns(first_map(knots, guess.command, angle))
    else:
        candidates.append(Unknown("steering.offset", "rad", -0.3, 0.3, 0.0))
        if interface != "number":
            candidates.append(_gain(guess, length, interface))
    return [u for u in candidates if u.name not in known], knots


def _gain(guess: Guess, length: float, interface: str) -> Unknown:
    angle = np.where(np.isnan(guess.angle), np.arctan(length * guess.curvature), guess.angle)
    asked = np.arctan(length * guess.command) if interface == "curvature" else guess.command
    asked, angle = asked - np.mean(asked), angle - np.mean(angle)
    slope = float(asked @ angle / max(float(asked @ asked), 1e-12))
    return Unknown("steering.gain", "", 0.02, 10.0, 1.0, True).at(slope)
