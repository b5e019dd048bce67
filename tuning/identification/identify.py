"""From drive logs to a vehicle."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any, Literal

import numpy as np

from tracks.errors import InputError
from tuning.identification.choices import explains, say_choices
from tuning.identification.derived import derived_rows
from tuning.identification.draws import Drawing
from tuning.identification.estimate import CUT
from tuning.identification.excerpt import excerpt
from tuning.identification.excited import is_excited, unseen
from tuning.identification.fitted import LateralFit, Settings
from tuning.identification.gradient_fit import part_gradient
from tuning.identification.holding_out import split
from tuning.identification.known import refusals_in_words, resolve, resolve_priors
from tuning.identification.lateral_fit import fit_lateral
from tuning.identification.looseness import choose_looseness
from tuning.identification.outcome import agreements, outcome_of
from tuning.identification.plausible import doubts_of_channels, doubts_of_fit, doubts_of_gain, unjudged
from tuning.identification.records import Recording, gather
from tuning.identification.refit import refit
from tuning.identification.result import Identified, Row, covariance_of, rows_of
from tuning.identification.speed_fit import SpeedFit, fit_speed
from tuning.identification.speeds import check_moving, moving_threshold, with_speed
from tuning.identification.static_map import is_knot
from tuning.identification.traces import traces_of
from tuning.identification.tyre_fit import error_of, fit_tyres, is_slow, tyres_show
from tuning.identification.unknowns import bounds, priors
from tuning.identification.vehicle_of import assemble
from tuning.logs.log import Log

__all__ = ["Model", "identify"]

_CONTRADICTED = 3.0  # standard deviations of a prior from its mean
_MANY_OUTLIERS = 0.002  # of normal residuals, 0.0005 lie beyond the cut

Model = Literal["auto", "kinematic", "single-track"]


@refusals_in_words()
def identify(
    logs: Log | Sequence[Log],
    known: Mapping[str, Any] | None = None,
    validate: Sequence[Log] | None = None,
    model: Model = "auto",
    starts: int = 3,
    seed: int = 0,
    name: str = "",
    prior: Mapping[str, tuple[float, float]] | None = None,
) -> Identified:
    """Find how a by-wire vehicle answers its commands, by output error along recorded drives.

    Dead time, frequency, damping and rate limit of the steering, its gain and offset (or its static map where the
    command is a number without a unit), wheelbase, understeer or axle stiffnesses, and the speed loop are fitted so
    that the project's own equations reproduce what was measured. The fit is judged on driving held out of it; where
    that driving was taken from `logs`, the values are then fitted once more to all of it.

    Args:
        logs: drives with a steering command (`curvature_command` or `steering_command`), a speed, and at least one
            of `yaw_rate`, `heading`, `steering_angle`, `lateral_acceleration`; a `speed_command` gives the speed loop,
            without one a `throttle_command` and a `brake_command` give drive and brake by positions.
        known: values of the vehicle that need not be found, by field name ("wheelbase") or dotted name
            ("steering.dead_time"), SI.
        validate: drives to judge by; otherwise some whole logs, or a stretch of a single one, are held out.
        model: "auto" tries the single-track body where mass and front_axle_distance are known, and keeps it if it
            predicts what was held out better.
        starts: first guesses followed to the end.
        seed: of the starts and of the drawing of held-out logs.
        name: of the vehicle, for its file.
        prior: mean and standard deviation, SI, of values that are known but not for certain, named as in `known`.

    Raises:
        InputError: the logs lack a quantity, never move, are given twice, or cannot tell what is asked of them.
    """
    drives = _checked([logs] if isinstance(logs, Log) else list(logs), validate or (), starts, seed, model)
    values = resolve(known)
    told = resolve_priors(prior, values)
    findings = [f"{log.name}: {text}" for log in drives for text in log.findings]
    others = list(validate) if validate is not None else None
    command, interface = _command(drives + (others or []), findings)
    drives = [with_speed(log, findings) for log in drives]
    others = [with_speed(log, findings) for log in others] if others is not None else None
    check_moving(drives)
    doubts, seen = doubts_of_channels([*drives, *(others or [])], values)
    findings += seen
    fitted, held, words = split(drives, others, command, seed)
    threshold = moving_threshold(drives)
    findings.append(
        f"samples slower than {threshold:.3g} m/s, and the first second of each recording, do not count"
    )
    settings = Settings(starts, seed, priors=told)

    # What is found in part of the logs is said of the values that are kept in the end.
    quiet: list[str] = []
    held_out = gather(held, command, threshold, quiet)
    first: list[str] = findings if others is not None else quiet
    recording = gather(fitted, command, threshold, first)
    lateral = _fit_body(recording, held_out, interface, values, settings, model, first)
    speed = fit_speed(recording, lateral.problem.vehicle, values, starts, seed, first)
    traces = traces_of(lateral, speed, held_out)
    validation = agreements(traces)
    left_open = _left_open(speed, values) if others is None else []
    if others is None:
        recording = gather(drives, command, threshold, findings)
        lateral = refit(lateral, recording, values, settings, findings)
        speed_start = speed.values if speed is not None else None
        speed = fit_speed(recording, lateral.problem.vehicle, values, 1, seed, findings, speed_start)
    if told:
        findings += _contradictions(lateral, recording, values, settings)
    excited = is_excited(lateral)
    if not excited:
        lateral = unseen(lateral)
    say_choices(lateral, values, findings)
    _explain(lateral, speed, model, findings)
    trained = traces_of(lateral, speed, recording)
    by_training = unjudged(traces, trained, left_open)
    doubts += doubts_of_fit(traces, trained, by_training, () if excited else ("yaw_rate", "steering_angle"))
    if excited:
        doubts += doubts_of_gain(lateral.values)
    else:
        findings.append("the steering was hardly moved: its answer does not stand out of the noise")
    findings += [
        f"the {output} could not be judged by what was held out: what was fitted before left part of its loop open; "
        "it is judged by the fit to all of the driving, which is no independent proof"
        for output in left_open
    ]
    findings[:0] = doubts
    rows, names, covariance = _rows(lateral, speed)
    today = datetime.date.today().isoformat()
    vehicle, more = assemble(lateral, speed, values, rows, validation, drives, name, today, findings)
    return outcome_of(
        vehicle, rows, more, (names, covariance), traces, trained, others is not None, words, findings, doubts,
        Drawing(lateral, speed),
    )  # fmt: skip


def _checked(logs: list[Log], validate: Sequence[Log], starts: int, seed: int, model: str) -> list[Log]:
    if not logs:
        raise InputError("identify was given no log", "one or more", "read a drive with read_log")
    if starts < 1:
        raise InputError(f"starts is {starts}", "1 or more", "leave it out for the usual number")
    if seed < 0:
        raise InputError(f"seed is {seed}", "0 or more", "leave it out for the usual one")
    if model not in ("auto", "kinematic", "single-track"):
        raise InputError(f"model is {model!r}", '"auto", "kinematic" or "single-track"', "name one of these")
    for first, second in combinations([*logs, *validate], 2):
        if _same(first, second):
            raise InputError(
                f"logs {first.name!r} and {second.name!r} hold the same drive",
                "every drive once, to fit or to judge by",
                "remove one of them: a fit judged by its own drive always looks good",
            )
    return logs


def _same(first: Log, second: Log) -> bool:
    alike = (first.steering_unit, first.data.keys()) == (second.steering_unit, second.data.keys())
    return alike and all(np.array_equal(values, second.data[name]) for name, values in first.data.items())


def _command(logs: Sequence[Log], findings: list[str]) -> tuple[str, str]:
    """Give the quantity that steers and the interface it means."""
    for command in ("curvature_command", "steering_command"):
        if all(log.has(command) for log in logs):
            break
    else:
        raise InputError(
            f"log {next(log.name for log in logs if not log.has('steering_command'))!r} has no steering command "
            "of the kind the others have",
            "curvature_command in every log, or steering_command in every log",
            "add the table to the channel file, or identify these logs apart",
        )
    if command == "curvature_command":
        if all(log.has("steering_command") for log in logs):
            findings.append("the logs hold a curvature and a steering command; the curvature was taken")
        return command, "curvature"
    if len({log.steering_unit for log in logs}) > 1:
        raise InputError(
            "some logs hold the steering command as an angle and some as a number without a unit",
            "one meaning in all logs",
            "use one channel file for all of them",
        )
    return command, "angle" if logs[0].steering_unit == "rad" else "number"


def _fit_body(
    recording: Recording,
    held_out: Recording,
    interface: str,
    known: Mapping[str, Any],
    settings: Settings,
    model: str,
    findings: list[str],
) -> LateralFit:
    """Fit the kinematic body and, where called for, the single-track one; give the better."""
    # Choices are made on the telling part of a long recording; what they lead to is then fitted to all of it.
    telling = excerpt(recording)
    kinematic = fit_lateral(telling, interface, known, settings, findings)
    best = kinematic
    if tyres_show(kinematic, known, model):
        tyres = fit_tyres(kinematic, known, settings)
        errors = [error_of(fit, held_out, tyres.estimate.scale) for fit in (kinematic, tyres)]
        if model != "auto" or errors[1] < errors[0]:
            best = tyres
    elif _lag_may_pass_for_understeer(kinematic, known, model):
        best = part_gradient(kinematic, known, settings)
    best = choose_looseness(best, known, settings)
    return best if telling is recording else refit(best, recording, known, settings, findings)


def _lag_may_pass_for_understeer(found: LateralFit, known: Mapping[str, Any], model: str) -> bool:
    """Say whether the understeer gradient of a kinematic fit may hold a body's lag, and another one can be had."""
    names = [unknown.name for unknown in found.problem.unknowns if unknown.prior is None]
    told = "body.wheelbase" in known or "steering_angle" in found.problem.outputs
    moves = "tyres.understeer_gradient" in names and "yaw_rate" in found.problem.outputs
    return model == "auto" and told and moves and not found.widened and not is_slow(found.problem.recording)


def _left_open(speed: SpeedFit | None, known: Mapping[str, Any]) -> list[str]:
    """Give "speed" where the fit left a dead time or lag of drive or brake undetermined, as without hard braking."""
    if speed is None:
        return []
    estimate = speed.estimate
    low, high = bounds(speed.problem.unknowns)
    # A 95 % interval as wide as the search says no more than the search did.
    wide = 2.0 * 1.96 * np.sqrt(np.maximum(np.diag(estimate.covariance), 0.0)) >= high - low
    vague = estimate.at_bound | estimate.blind | wide
    determined = {
        unknown.name for unknown, is_vague in zip(speed.problem.unknowns, vague, strict=True) if not is_vague
    }
    return [] if set(speed.needed) <= determined | known.keys() else ["speed"]


def _contradictions(
    found: LateralFit, recording: Recording, known: Mapping[str, Any], settings: Settings
) -> list[str]:
    """Say which of the user's priors the logs contradict: without them they are explained much better, elsewhere."""
    own = {name: pair for name, pair in settings.priors.items() if name in found.values}
    if not own:
        return []
    unknowns = tuple(replace(u, prior=None) if u.name in own else u for u in found.problem.unknowns)
    free = replace(found, problem=replace(found.problem, unknowns=unknowns))
    free = refit(free, recording, known, replace(settings, priors={}), [])
    if not explains(found, free):
        return []
    return [
        f"{name}: the logs contradict what was known of it before ({mean:.4g} ± {error:.2g}): without that they give "
        f"{free.values[name]:.4g}"
        for name, (mean, error) in own.items()
        if name in free.values and abs(free.values[name] - mean) > _CONTRADICTED * error
    ]


def _explain(lateral: LateralFit, speed: SpeedFit | None, model: str, findings: list[str]) -> None:
    """Say which body was chosen, which values ended at a bound or were not seen, and where outliers or priors speak."""
    if model == "auto" and lateral.problem.model == "single-track":
        findings.append(
            "the single-track body was kept: it predicts what was held out better than the kinematic one"
        )
    for fit in (lateral, speed):
        if fit is None:
            continue
        estimate, unknowns = fit.estimate, fit.problem.unknowns
        mean, spread = priors(unknowns)
        for i, unknown in enumerate(unknowns):
            if unknown.prior is not None and abs(estimate.z[i] - mean[i]) > _CONTRADICTED * spread[i]:
                findings.append(
                    f"{unknown.name} is far from what is usual ({unknown.prior[0]:.4g} ± {unknown.prior[1]:.2g} {unknown.unit})"
                )
            elif estimate.blind[i] and unknown.prior is None:
                findings.append(f"{unknown.name}: the logs say nothing about it")
            elif estimate.at_bound[i] and not is_knot(unknown.name):
                findings.append(
                    f"{unknown.name} ended at a bound of its search ({unknown.low:g} to {unknown.high:g} {unknown.unit})"
                )
        findings += [
            f"{100.0 * share:.2g} % of the samples of {output} lie beyond {CUT:g} times its noise and count for less"
            for output, share in estimate.outliers.items()
            if share > _MANY_OUTLIERS
        ]


def _rows(lateral: LateralFit, speed: SpeedFit | None) -> tuple[list[Row], list[str], np.ndarray]:
    rows = rows_of(lateral.problem.unknowns, lateral.estimate, lateral.widened) + derived_rows(lateral)
    names, covariance = covariance_of(lateral.problem.unknowns, *lateral.estimate.found)
    if speed is None:
        return rows, names, covariance
    more, other = covariance_of(speed.problem.unknowns, *speed.estimate.found)
    whole = np.zeros((len(names) + len(more),) * 2)
    whole[: len(names), : len(names)] = covariance
    whole[len(names) :, len(names) :] = other
    return rows + rows_of(speed.problem.unknowns, speed.estimate, {}), names + more, whole
