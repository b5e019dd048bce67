"""A vehicle with more or less aboard than its file says."""

from __future__ import annotations

from tracks.errors import InputError
from tuning.vehicle import Vehicle
from tuning.vehicle.model import KINEMATIC
from tuning.vehicle.parameters import PlantParameters
from tuning.vehicle.vehicle import understeer_gradient

__all__ = ["loaded"]


def loaded(vehicle: Vehicle, plant: PlantParameters, mass: float, position: float | None) -> PlantParameters:
    """Give the constants of a vehicle with `mass` [kg] more aboard, `position` [m] ahead of its rear axle.

    The centre of gravity and the yaw inertia follow (parallel axes, the load a point); cornering stiffness grows
    with the axle's load, in proportion as that of a brush tyre (real tyres gain less: common practice, no source);
    drive and brake give the same force, and so less acceleration. A kinematic vehicle keeps its understeer gradient.

    Raises:
        InputError: the vehicle's mass is not known, or nothing would be left of it or of the load of an axle.
    """
    if mass == 0.0:
        return plant
    if vehicle.body.mass is None:
        raise InputError(
            f"a load of {mass:+g} kg on a vehicle without body.mass",
            "the vehicle's mass",
            "add body.mass (kg) to the vehicle file",
        )
    p = plant
    where = p.rear_axle_distance if position is None else position
    total = p.mass + mass
    if total <= 0.2 * p.mass:
        raise InputError(
            f"a load of {mass:+g} kg leaves {total:g} kg of {p.mass:g} kg",
            "a fifth of the mass or more",
            "take less off",
        )
    rear = (p.mass * p.rear_axle_distance + mass * where) / total
    front = p.wheelbase - rear
    if not 0.05 * p.wheelbase < rear < 0.95 * p.wheelbase:
        raise InputError(
            f"a load of {mass:+g} kg at {where:g} m ahead of the rear axle lifts an axle",
            "a centre of gravity between the axles",
            "change load or position",
        )
    inertia = p.yaw_inertia + p.mass * (rear - p.rear_axle_distance) ** 2 + mass * (rear - where) ** 2
    # Load on an axle over the wheelbase is mass × distance of the centre of gravity from the other one.
    more_front = total * rear / (p.mass * p.rear_axle_distance)
    more_rear = total * front / (p.mass * p.front_axle_distance)
    tyre_front = p.tyre_stiffness_front * more_front
    stiffness_front = tyre_front / (1.0 + tyre_front * p.compliance)
    stiffness_rear = p.stiffness_rear * more_rear
    gradient = p.understeer_gradient
    if vehicle.model_code != KINEMATIC:
        gradient = understeer_gradient(total, front, rear, stiffness_front, stiffness_rear)
    values = p._replace(
        mass=total,
        yaw_inertia=inertia,
        front_axle_distance=front,
        rear_axle_distance=rear,
        tyre_stiffness_front=tyre_front,
        stiffness_front=stiffness_front,
        stiffness_rear=stiffness_rear,
        understeer_gradient=gradient,
        viscous_drag=p.viscous_drag * p.mass / total,
        drive_gain=p.drive_gain * p.mass / total,
        brake_gain=p.brake_gain * p.mass / total,
    )
    return PlantParameters(*(float(value) for value in values))
