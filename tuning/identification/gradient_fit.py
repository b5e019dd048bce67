"""The understeer gradient of a body whose mass is not known.

A kinematic body answers its steering at once. Fitted to one that lags behind the more the faster it goes, it takes the lag
for understeer: by a quarter to a half too much in quick driving of sound cars (measured against a multi-body model). A
single-track body needs no mass for its motion, only stiffness over mass: with any mass it gives the gradient, which the
kinematic one then keeps, and dead time and lag of the steering hold what the body adds to them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from tuning.identification.choices import explains
from tuning.identification.derived import gradient_of
from tuning.identification.fitted import LateralFit, Settings, run, started
from tuning.identification.tyre_fit import fit_tyres

__all__ = ["part_gradient"]

_ANY_MASS = 1000.0  # kg, only ratios to it count
_MIDDLE = 0.5  # of the wheelbase, where the centre of gravity is taken to be; it moves the gradient little
_GRADIENT = "tyres.understeer_gradient"


def part_gradient(kinematic: LateralFit, known: Mapping[str, Any], settings: Settings) -> LateralFit:
    """Give the kinematic fit with the gradient of a single-track one where that explains more, else as it is."""
    problem = kinematic.problem
    length = float(kinematic.values.get("body.wheelbase", problem.vehicle.body.wheelbase))
    assumed: dict[str, Any] = {"body.mass": _ANY_MASS, "body.front_axle_distance": _MIDDLE * length} | dict(
        known
    )
    place = {name: assumed[name] for name in ("body.mass", "body.front_axle_distance")}
    given = replace(problem, vehicle=problem.vehicle.replace(**{"body.wheelbase": length} | place))
    tyres = fit_tyres(replace(kinematic, problem=given), assumed, settings)
    if not explains(kinematic, tyres):
        return kinematic
    gradient, error = gradient_of(tyres)
    vehicle = problem.vehicle.replace(**{_GRADIENT: gradient})
    unknowns = tuple(unknown for unknown in problem.unknowns if unknown.name != _GRADIENT)
    fixed = started(replace(problem, vehicle=vehicle, unknowns=unknowns), kinematic.values)
    final = run(fixed, settings, kinematic.estimate.noise, 1)
    interval = (gradient - 1.96 * error, gradient + 1.96 * error)
    return replace(final, widened=kinematic.widened | {_GRADIENT: interval})
