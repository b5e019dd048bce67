"""The car that the preview law is designed for in its tests."""

from __future__ import annotations

from tracker.response import Response

# Rajamani, Vehicle Dynamics and Control, ch. 2-3 (read in a secondary source), with a steering that lags.
CAR = Response(
    wheelbase=2.68,
    mass=1573.0,
    yaw_inertia=2873.0,
    front_axle_distance=1.1,
    cornering_stiffness_front=160e3,
    cornering_stiffness_rear=160e3,
    lag=0.12,
).values
