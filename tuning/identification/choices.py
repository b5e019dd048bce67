"""Choices that the logs decide: order of the steering, a rate limit or none, and what understeer does to the wheelbase."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from tuning.identification.fitted import LAG, LIMIT, SECOND_ORDER, LateralFit, Settings, run, started
from tuning.identification.quality import EVIDENCE, evidence
from tuning.identification.unknowns import Unknown

__all__ = ["choose_limit", "choose_order", "explains", "part_wheelbase", "say_choices"]

_LEAST_DROP = 0.02  # of the sum of squares: a smaller one explains nothing that matters
# Damping from which a second-order steering looks like a first-order one: poles 1 : 4 and more.
_OVERDAMPED = 1.25
_TRIAL = 12  # evaluations of J that a trial of one more unknown gets
_EARLY = 0.02  # s by which a steering angle may come before the yaw rate unremarked
_SLOWEST = 10.0  # percentile of speed below which the wheelbase is looked for where understeer blurs it
_LEAST_SAMPLES = 300  # that the slow part must have; it is widened until it does
_BLURRED = 0.05  # half-width of the wheelbase's interval, relative, beyond which understeer blurs it
# rad/(m/s²), 6 deg/g. The published passenger cars known here lie at 2 to 4.7 deg/g (secondary source). A larger value
# may be real, but may as well be something else (a compliant servo, a map taken with slip in it) that the fit has put
# into understeer, shortening the wheelbase in exchange. A judgement, set with one real car in view.
_LARGEST_GRADIENT = 0.0107


def choose_order(found: LateralFit) -> LateralFit:
    """Give a first-order steering in place of a surely overdamped second-order one that explains hardly more.

    A second order that may have less damping is kept even where noise hides it: a first order in its place would push
    the dead time up, outside of its own narrow interval (tried: 0.22 s ± 0.02 for 0.15 s under strong noise).
    """
    names = [u.name for u in found.problem.unknowns]
    if not all(name in names for name in SECOND_ORDER):
        return found
    values = found.values
    at = names.index("steering.damping")
    error = float(np.sqrt(found.estimate.covariance[at, at]))
    if values["steering.damping"] < _OVERDAMPED * np.exp(1.96 * error):
        return found
    lag = 2.0 * values["steering.damping"] / values["steering.natural_frequency"]
    kept = [u.at(values[u.name]) for u in found.problem.unknowns if u.name not in SECOND_ORDER]
    unknowns = (*kept, Unknown(LAG, "s", 0.01, 3.0, lag, True).at(lag))
    simpler = run(replace(found.problem, unknowns=unknowns), Settings(1, 0), found.estimate.noise)
    return found if explains(simpler, found) else simpler


def explains(smaller: LateralFit, larger: LateralFit) -> bool:
    """Say whether the larger of two fits explains so much more that its further unknowns are real."""
    gain, drop = evidence(*(fit.problem.residuals(fit.estimate.z) for fit in (smaller, larger)))
    return gain > EVIDENCE and drop > _LEAST_DROP


def choose_limit(found: LateralFit, known: Mapping[str, Any]) -> LateralFit:
    """Add a rate limit of the steering if the logs show one."""
    if LIMIT in known:
        return found
    fastest = _fastest(found)
    limit = Unknown(LIMIT, "rad/s", 0.02 * fastest, min(2.0 * fastest, 100.0), 0.6 * fastest, True)
    trials = []
    kinds = (
        ("motion", "demand") if LAG not in found.values else ("motion",)
    )  # to a first order both are the same
    for acts_on in (known["steering.rate_limited"],) if "steering.rate_limited" in known else kinds:
        vehicle = found.problem.vehicle.replace(**{"steering.rate_limited": acts_on})
        problem = replace(found.problem, vehicle=vehicle, unknowns=(*found.problem.unknowns, limit))
        trials.append(run(started(problem, found.values), Settings(1, 0), found.estimate.noise, steps=_TRIAL))
    # A bound on the servo's demand is smoother, and so takes up what other misfit there is: it must explain much more.
    limited = trials[-1] if len(trials) > 1 and explains(trials[0], trials[-1]) else trials[0]
    if explains(found, limited) and not limited.estimate.at_bound[-1]:
        return run(started(limited.problem, limited.values), Settings(1, 0), limited.estimate.noise)
    return found


def say_choices(found: LateralFit, known: Mapping[str, Any], findings: list[str]) -> None:
    """Say which order the steering has, how its rate limit acts, or how fast it was seen to move without one."""
    if LAG in found.values:
        findings.append("the steering is described by a first-order lag: a second order explains hardly more")
    if any(u.name == "tyres.understeer_gradient" and u.prior is not None for u in found.problem.unknowns):
        findings.append(
            "the speed hardly varies, so understeer cannot be told from the scale of the steering: the usual understeer "
            "gradient of road vehicles stands in, and its uncertainty with it"
        )
    if "tyres.understeer_gradient" in found.widened:
        findings.append(
            "the understeer gradient is that of a single-track body of unknown mass: the kinematic one would take the body's "
            "lag for understeer; give mass and front_axle_distance to have its motion too"
        )
    early = found.values.get("sensors.steering_angle_lag", 0.0)
    if found.problem.model == "kinematic" and early < -_EARLY:
        findings.append(
            f"the steering angle comes {-early:.2g} s before the yaw rate: that is the lag of the body, which the kinematic "
            "vehicle counts as dead time of its steering, since a controller feels it; give mass and front_axle_distance "
            "to have the two apart"
        )
    if LIMIT in found.values and found.problem.vehicle.steering.rate_limited == "demand":
        findings.append(
            "the steering's rate limit bounds what its servo asks for: that explains more than a hard stop"
        )
    if LIMIT not in known and LIMIT not in found.values:
        findings.append(
            f"the steering's rate limit was not reached; the fastest motion in these logs was {_fastest(found):.3g} rad/s"
        )


def _fastest(found: LateralFit) -> float:
    rates = np.abs(found.problem.simulate(found.values)[1])
    return float(np.max(rates[found.problem.recording.counts]))


def part_wheelbase(found: LateralFit, settings: Settings, findings: list[str]) -> LateralFit:
    """Where understeer blurs the wheelbase, find it from the slowest driving, and understeer from all of it.

    ISO 4138 (from memory) takes understeer as the slope of steering angle beyond the Ackermann one in the same way.
    Slip is neglected in the slow part, so the wheelbase comes out long where there is some, and grows with the speed up
    to which "slow" reaches. The interval is therefore widened to hold what the fit of both together gave.
    """
    problem, estimate = found.problem, found.estimate
    names = [u.name for u in problem.unknowns]
    at = names.index("body.wheelbase")
    error = 1.96 * float(np.sqrt(estimate.covariance[at, at]))
    joint = found.values
    implausible = abs(joint["tyres.understeer_gradient"]) > _LARGEST_GRADIENT
    if error <= _BLURRED and not implausible:
        return found
    speed = problem.recording.drives.speed[problem.recording.measured["yaw_rate"].at]
    slow = float(np.percentile(speed, max(_SLOWEST, min(100.0 * _LEAST_SAMPLES / speed.size, 100.0))))
    slip_free = tuple(u for u in problem.unknowns if u.name != "tyres.understeer_gradient")
    part = replace(problem, unknowns=slip_free, fastest=slow)
    ackermann = run(started(part, joint), settings, estimate.noise, 1)
    length = ackermann.values["body.wheelbase"]
    index = [u.name for u in slip_free].index("body.wheelbase")
    spread = 1.96 * float(np.sqrt(ackermann.estimate.covariance[index, index]))
    vehicle = problem.vehicle.replace(**{"body.wheelbase": length})
    fixed = tuple(u for u in problem.unknowns if u.name != "body.wheelbase")
    whole = replace(problem, vehicle=vehicle, unknowns=fixed)
    final = run(started(whole, joint), settings, estimate.noise, 1)
    low = min(length * np.exp(-spread), joint["body.wheelbase"] * np.exp(-error))
    high = max(length * np.exp(spread), joint["body.wheelbase"] * np.exp(error))
    why = (
        f"an understeer gradient of {joint['tyres.understeer_gradient']:.3g} rad/(m/s²), beyond the published cars (2 to 4.7 deg/g)"
        if implausible
        else "a wide interval"
    )
    findings.append(
        f"wheelbase and understeer are blurred in these logs: fitted together they give {joint['body.wheelbase']:.4g} m "
        f"± {100.0 * error:.0f} % with {why}. So the wheelbase was found from the slowest driving (up to "
        f"{slow:.3g} m/s) with slip neglected, then the understeer gradient from all of it. A tape measure is better: "
        "known={'wheelbase': ...}"
    )
    return LateralFit(final.problem, final.estimate, {"body.wheelbase": (float(low), float(high))}, found)
