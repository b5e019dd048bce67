"""The identification's problems at a nominal vehicle: what would be asked of a set of drives, before any fit.

Values come from the vehicle given, else from first guesses where the logs show them plainly, else from the vehicle
file's defaults, which are common practice without a source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker.motion.single_track import DYNAMIC_ABOVE, KINEMATIC_BELOW
from tuning.identification.guesses import Guess, first_guess
from tuning.identification.known import NOT_VEHICLE
from tuning.identification.lateral_fit import given_of, sensors_of
from tuning.identification.records import Recording
from tuning.identification.speed_fit import SpeedProblem
from tuning.identification.static_map import first_map, map_unknowns, place_knots
from tuning.identification.steering_problem import SteeringProblem
from tuning.identification.tyre_fit import inertia_unknown
from tuning.identification.unknowns import Unknown
from tuning.vehicle import Vehicle

__all__ = ["nominal_speed", "nominal_steering", "nominal_vehicle"]

Array = NDArray[np.float64]

_USUAL_WHEELBASE = 2.8  # m; common practice, no source
_PLAIN = 0.9  # correlation of angle and curvature from which a guessed wheelbase is used
_NO_RATE_LIMIT, _NO_ANGLE_LIMIT, _NO_ACCELERATION_LIMIT = 100.0, 1.4, 50.0
_REACHED = 0.98  # of a limit, from which a drive shows it
_AXLES = ("tyres.cornering_stiffness_front", "tyres.cornering_stiffness_rear")
_TYRE = 80.0  # (m/s²)/rad of stiffness over mass for each axle; road cars lie near 100. Common practice, no source


def nominal_vehicle(
    recording: Recording, interface: str, known: Mapping[str, Any], vehicle: Vehicle | None
) -> Vehicle:
    """Give the vehicle at which sensitivities are taken: `vehicle`, or a usual one without limits, with what is known."""
    changes: dict[str, Any] = {n: v for n, v in known.items() if n.split(".")[0] not in NOT_VEHICLE}
    if vehicle is None:
        length = known.get("body.wheelbase") or _wheelbase(recording, interface)
        vehicle = Vehicle.model_validate({"body": {"wheelbase": float(length)}})
        changes = {
            "steering.rate_limit": _NO_RATE_LIMIT,
            "steering.angle_limit": _NO_ANGLE_LIMIT,
            "drive.acceleration_limit": _NO_ACCELERATION_LIMIT,
            "drive.deceleration_limit": _NO_ACCELERATION_LIMIT,
        } | changes
        if "body.mass" in known:
            changes = dict.fromkeys(_AXLES, _TYRE * known["body.mass"]) | changes
    changes["steering.interface"] = interface
    if interface == "number" and not (vehicle.steering.map_command or "steering.map_command" in known):
        changes |= {"steering.map_command": (-1.0, 1.0), "steering.map_angle": (-0.5, 0.5)}
    elif interface != "number":
        changes |= {"steering.map_command": (), "steering.map_angle": ()}
    return vehicle.replace(**changes)


def nominal_steering(recording: Recording, vehicle: Vehicle, known: Mapping[str, Any]) -> SteeringProblem:
    """Give steering and body as a problem, every value that is not known an unknown at its nominal value."""
    outputs = [name for name in recording.measured if name != "speed"]
    model = _model(recording, vehicle, known, outputs)
    vehicle = vehicle.replace(**{"body.model": model})
    # As in the fit: to a kinematic body the lateral acceleration says nothing beyond the yaw rate.
    left_out = ("lateral_acceleration",) if model == "kinematic" and "yaw_rate" in outputs else ()
    steering, plant = vehicle.steering, vehicle.plant
    unknowns = [Unknown("steering.dead_time", "s", 0.0, 2.0, steering.dead_time)]
    if steering.lag is None:
        unknowns += [
            Unknown("steering.natural_frequency", "rad/s", 0.5, 100.0, steering.natural_frequency, True),
            Unknown("steering.damping", "", 0.1, 2.0, steering.damping, True),
        ]
    else:
        unknowns.append(Unknown("steering.lag", "s", 0.002, 5.0, steering.lag, True))
    length = plant.wheelbase
    unknowns.append(Unknown("body.wheelbase", "m", length / 4.0, min(length * 4.0, 30.0), length, True))
    if model == "kinematic":
        unknowns.append(
            Unknown("tyres.understeer_gradient", "rad/(m/s²)", -0.1, 0.1, plant.understeer_gradient)
        )
    else:
        for name, value in zip(_AXLES, (plant.tyre_stiffness_front, plant.stiffness_rear), strict=True):
            unknowns.append(Unknown(name, "N/rad", 0.1 * value, 10.0 * value, value, True))
    knots = np.zeros(0)
    if steering.interface == "number" and "steering.map_angle" not in known:
        knots = place_knots(recording.command[recording.counts])
        unknowns += map_unknowns(_map_angles(recording, vehicle, knots))
    else:
        unknowns.append(Unknown("steering.offset", "rad", -0.3, 0.3, steering.offset))
        if steering.interface != "number":
            unknowns.append(Unknown("steering.gain", "", 0.02, 10.0, steering.gain, True))
    if model == "single-track":
        unknowns.append(inertia_unknown(plant.mass, plant.front_axle_distance, plant.rear_axle_distance))
    asked = tuple(u for u in unknowns if u.name not in known)
    problem = SteeringProblem(
        vehicle, model, asked, recording, knots, left_out=left_out, given=given_of(known)
    )
    if outputs:
        asked = (*asked, *sensors_of(problem, known))
        problem = replace(problem, unknowns=asked)
    if "steering.rate_limit" not in known and outputs:
        fastest = float(
            np.max(np.abs(problem.simulate({u.name: u.start for u in asked})[1][recording.counts]))
        )
        if fastest >= _REACHED * steering.rate_limit:
            limit = Unknown("steering.rate_limit", "rad/s", 0.01, 100.0, steering.rate_limit, True)
            problem = replace(problem, unknowns=(*asked, limit))
    return problem


def nominal_speed(recording: Recording, vehicle: Vehicle, known: Mapping[str, Any]) -> SpeedProblem | None:
    """Give the speed loop as a problem, or None where the logs hold no speed command."""
    if recording.speed_command is None:
        return None
    drive = vehicle.drive
    candidates = [
        Unknown("drive.dead_time", "s", 0.0, 5.0, drive.dead_time),
        Unknown("drive.lag", "s", 0.01, 20.0, drive.lag, True),
        Unknown("drive.brake_dead_time", "s", 0.0, 5.0, drive.brake_dead_time),
        Unknown("drive.brake_lag", "s", 0.01, 20.0, drive.brake_lag, True),
        Unknown("drive.speed_gain", "1/s", 0.02, 50.0, max(drive.speed_gain, 0.02), True),
    ]
    asked = tuple(u for u in candidates if u.name not in known)
    problem = SpeedProblem(vehicle, asked, recording)
    answer = problem.simulate({u.name: u.start for u in asked})
    for name, most, limit in (
        ("drive.acceleration_limit", float(np.max(answer[1])), drive.acceleration_limit),
        ("drive.deceleration_limit", float(np.max(-answer[2])), drive.deceleration_limit),
    ):
        if name not in known and most >= _REACHED * limit:
            asked = (*asked, Unknown(name, "m/s²", 0.05, 50.0, limit, True))
    return replace(problem, unknowns=asked)


def _model(recording: Recording, vehicle: Vehicle, known: Mapping[str, Any], outputs: list[str]) -> str:
    """Give the body as the fit would choose it: single-track where mass and its place are known and the speed shows it."""
    fast = float(np.percentile(recording.drives.speed[recording.counts], 90.0))
    told = "body.mass" in known and "body.front_axle_distance" in known
    axles = vehicle.tyres.cornering_stiffness_front and vehicle.tyres.cornering_stiffness_rear
    shows = fast >= 0.5 * (KINEMATIC_BELOW + DYNAMIC_ABOVE) and "yaw_rate" in outputs
    return "single-track" if told and axles and shows else "kinematic"


def _wheelbase(recording: Recording, interface: str) -> float:
    """Give tan δ over curvature where the two plainly go together, else the usual wheelbase."""
    guess = _guess(recording)
    if guess is None:
        return _USUAL_WHEELBASE
    angle = guess.angle if not np.all(np.isnan(guess.angle)) else guess.command
    if np.all(np.isnan(guess.angle)) and interface != "angle":
        return _USUAL_WHEELBASE
    bent, turned = np.tan(angle - np.mean(angle)), guess.curvature - np.mean(guess.curvature)
    if not (np.ptp(bent) > 0.0 and np.ptp(turned) > 0.0):
        return _USUAL_WHEELBASE
    if float(np.corrcoef(bent, turned)[0, 1]) < _PLAIN:
        return _USUAL_WHEELBASE
    return float(np.clip(bent @ turned / (turned @ turned), 0.05, 25.0))


def _guess(recording: Recording) -> Guess | None:
    answers = [name for name in recording.measured if name != "speed"]
    return first_guess(recording) if answers else None


def _map_angles(recording: Recording, vehicle: Vehicle, knots: Array) -> Array:
    """Give the nominal static map at its knots: the vehicle's own, or what angle or curvature plainly follow."""
    steering = vehicle.steering
    own = np.interp(knots, steering.map_command, steering.map_angle)
    guess = _guess(recording)
    if steering.map_command != (-1.0, 1.0) or guess is None:
        return own
    angle = np.where(np.isnan(guess.angle), np.arctan(vehicle.body.wheelbase * guess.curvature), guess.angle)
    if not (np.ptp(angle) > 0.0 and np.ptp(guess.command) > 0.0):
        return own
    plain = float(np.corrcoef(guess.command, angle)[0, 1]) >= _PLAIN
    return first_map(knots, guess.command, angle) if plain else own
