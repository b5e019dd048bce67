"""Our vehicle models against a published reference: the package `commonroad-vehicle-models` (BSD-3).

Source of every number of the check vectors: its unit_tests (test_derivatives.py,
test_zeroInitialVelocity.py), car 2. Its multi-body model is in `test_vehicle_reference_multi_body.py`.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

pytest.importorskip("vehiclemodels", reason="commonroad-vehicle-models is not installed")

import reference_single_track as single_track
from reference_single_track import SmallAngleTyres, at_centre, ours_of, reference_slope
from reference_vehicles import CARS, GRAVITY, parameters, vehicle, vehicle_of_single_track
from scipy.integrate import solve_ivp
from vehiclemodels.utils.acceleration_constraints import acceleration_constraints
from vehiclemodels.vehicle_dynamics_ks import vehicle_dynamics_ks
from vehiclemodels.vehicle_dynamics_mb import vehicle_dynamics_mb

from tuning.vehicle import Inputs, State, Surroundings, derivative, rk4
from tuning.vehicle.linear import linearise

# Inputs of all its check vectors: steering rate (rad/s) and acceleration (m/s²).
STEERING_RATE, ACCELERATION = 0.15, 0.63 * GRAVITY

KS_STATE = [
    3.9579422297936526,
    0.0391650102771405,
    0.0378491427211811,
    16.3546957860883566,
    0.0294717351052816,
]
KS_SLOPE = [
    16.3475935934250209,
    0.4819314886013121,
    0.1500000000000000,
    5.1464424102339752,
    0.2401426578627629,
]
ST_STATE = [2.0233348142065677, 0.0041907137716636, 0.0197545248559617, 15.7216236334290116, 0.0025857914776859,
            0.0529001056654038, 0.0033012170610298]  # fmt: skip
ST_SLOPE = [15.7213512030862397, 0.0925527979719355, 0.1500000000000000, 5.3536773276413925, 0.0529001056654038,
            0.6435589397748606, 0.0313297971641291]  # fmt: skip
MB_STATE = [10.8808433066274794, 0.5371850187869442, 0.0980442671005920, 18.0711398687457745, 0.1649995631003776,
            0.6158755000936103, -0.1198403612262477, -0.2762672756169581, 0.0131909920269115, -0.0718483683742141,
            -0.3428324595054725, 0.0103233373083297, -0.0399590564140291, -0.0246468320579360,
            -0.0551575051990853,
            0.5798277643297529, 0.0172059354801703, 0.0067890113155477, -0.0184269459410162, -0.0408207136116175,
            -1.0064484829203018, 0.0166808347900582, -0.0049188492004049, 53.6551710641082451,
            50.7045242506744316,
            56.7917911784219598, 200.7079633169796296, -0.0939969123691911, -0.0881514621614376]  # fmt: skip
MB_SLOPE = [17.8820162482414098, 2.6300428035858809, 0.1500000000000000, 2.7009396644636450, 0.6158755000936103,
            1.3132879472301846, -0.2762672756169581, -0.1360581472638375, -0.0718483683742141,
            0.4909514227532223, -2.6454134031927374, -0.0399590564140291, 0.0486778649724968,
            -0.0551575051990853, 0.0354501802049087, -1.1130397141873534, 0.0067890113155477,
            -0.0886810139593130, -0.0408207136116175, 0.0427680029698811, -4.3436374104751501,
            -0.0049188492004049, 0.1142109377736169, 10.0527321757776047, 0.0436512393438736,
            -154.12795711273924, 422.12780928288305, -0.2105876149500405, -0.2126005780977984]  # fmt: skip
# Ends of 1 s from standstill with the inputs above, in test_zeroInitialVelocity.py.
ST_END = [3.0731976046859715, 0.2869835398304389, 0.1500000000000000, 6.1802999999999999, 0.1097747074946325,
          0.3248268063223301, 0.0697547542798040]  # fmt: skip
KS_END = [3.0845676868494927, 0.1484249221523042, 0.1500000000000000, 6.1803000000000017, 0.1203664469224163]


def kinematic(**values):
    """Give its car 2 with our kinematic body: no understeer, rear axle as reference point, as in KS."""
    return vehicle(2, "kinematic", **values)


def test_installed_reference_keeps_its_own_check_vector():
    """The installed multi-body model gives the derivative that its authors published (to their 7 places)."""
    slope = vehicle_dynamics_mb(list(MB_STATE), [STEERING_RATE, ACCELERATION], parameters(2))
    np.testing.assert_allclose(slope, MB_SLOPE, atol=1e-7, rtol=0.0)


def test_kinematic_check_vector():
    """KS's derivative, its reference point being the rear axle as ours is; nothing replaced."""
    car, p = kinematic(), parameters(2)
    x, y, angle, speed, heading = KS_STATE
    # Its limit on acceleration is an input's limit, no equation of motion.
    acceleration = acceleration_constraints(speed, ACCELERATION, p.longitudinal)
    state = State(x, y, heading, speed, 0.0, 0.0, angle, STEERING_RATE, acceleration, 0.0)
    slope = derivative(
        car.model_code, car.plant, state, Inputs(angle, speed, 0.0, speed, 0.0), Surroundings()
    )
    ours = [slope.x, slope.y, slope.steering_angle, slope.speed, slope.heading]
    np.testing.assert_allclose(ours, KS_SLOPE, atol=1e-9, rtol=0.0)


def kinematic_end(seconds: float, step: float, acceleration: float, rate: float) -> list[float]:
    """Drive our kinematic car from standstill: give KS's state at the end.

    A far target holds the steering at its rate limit, and with no speed loop the drive keeps its
    acceleration.
    """
    car = kinematic(**{
        "steering.rate_limit": max(rate, 1e-9), "steering.natural_frequency": 100.0,
        "drive.speed_gain": 0.0, "drive.acceleration_limit": 10.0,
    })  # fmt: skip
    drive, brake = max(acceleration, 0.0), min(acceleration, 0.0)
    state = State(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, rate, drive, brake)
    target = 1.0 if rate > 0.0 else 0.0
    for _ in range(round(seconds / step)):
        inputs = Inputs(target, 0.0, acceleration, 0.0, acceleration)
        state = rk4(car.model_code, car.plant, state, inputs, Surroundings(), step)
    return [state.x, state.y, state.steering_angle, state.speed, state.heading]


def test_kinematic_drive_away():
    """KS's end of 1 s from standstill: accelerating and steering, integrated by our step of 5 ms."""
    ours = kinematic_end(1.0, 0.005, ACCELERATION, STEERING_RATE)
    exact = solve_ivp(
        lambda _, x: vehicle_dynamics_ks(x, [STEERING_RATE, ACCELERATION], parameters(2)), (0.0, 1.0),
        np.zeros(5), method="DOP853", rtol=1e-12, atol=1e-13,
    ).y[:, -1]  # fmt: skip
    np.testing.assert_allclose(ours, exact, atol=1e-6, rtol=0.0)
    np.testing.assert_allclose(ours, KS_END, atol=1e-6, rtol=0.0)


@pytest.mark.parametrize("rate", [0.0, STEERING_RATE])
def test_standing_vehicle_stays(rate):
    """KS and ST end where they stood, the wheels turned or not; braked, KS would run back, and ours stays."""
    ours = kinematic_end(1.0, 0.005, 0.0, rate)
    np.testing.assert_allclose(ours, [0.0, 0.0, rate, 0.0, 0.0], atol=1e-12)
    assert kinematic_end(1.0, 0.005, -0.7 * GRAVITY, 0.0)[3] == 0.0


def test_single_track_check_vector():
    """ST's derivative from our derivative of the state with its tyre law (see `SmallAngleTyres`)."""
    p = parameters(2)
    acceleration = acceleration_constraints(ST_STATE[3], ACCELERATION, p.longitudinal)
    car = vehicle_of_single_track(2, acceleration)
    state = ours_of(ST_STATE, p.b)._replace(steering_rate=STEERING_RATE)
    slope = SmallAngleTyres().rebound(derivative, acceleration)(
        car.model_code, car.plant, state, Inputs(0.0, state.speed, 0.0, state.speed, 0.0), Surroundings()
    )
    np.testing.assert_allclose(at_centre(state, slope, p.b), ST_SLOPE, atol=1e-9, rtol=0.0)


def test_single_track_drive_away():
    """ST's end of 1 s from standstill with steering, with its tyre law and its switch from kinematic."""
    p = parameters(2)
    car = vehicle_of_single_track(2, ACCELERATION, **{"steering.rate_limit": STEERING_RATE})
    step = SmallAngleTyres().rebound(rk4, ACCELERATION, from_standstill=True)
    state = State(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, STEERING_RATE, ACCELERATION, 0.0)
    # Below 1 m/s ST's tyres have poles up to 2000 1/s, hence 0.5 ms there.
    h = 0.0005
    for _ in range(round(1.0 / h)):
        state = step(car.model_code, car.plant, state, Inputs(1.0, 0.0, 0.0, 0.0, 0.0), Surroundings(), h)
    sine, cosine = math.sin(state.heading), math.cos(state.heading)
    ours = [
        *(state.x + p.b * (cosine - 1.0), state.y + p.b * sine, state.steering_angle),
        math.hypot(state.speed, state.lateral_velocity),
        *(state.heading, state.yaw_rate, math.atan2(state.lateral_velocity, state.speed)),
    ]
    exact = solve_ivp(
        lambda _, x: reference_slope(p, x, (STEERING_RATE, ACCELERATION)), (0.0, 1.0), np.zeros(7),
        method="DOP853", rtol=1e-11, atol=1e-12, max_step=0.001,
    ).y[:, -1]  # fmt: skip
    np.testing.assert_allclose(ours, exact, atol=1e-6, rtol=0.0)
    # The published end is itself 2e-5 off in yaw rate, from the tolerance of the solver that found it.
    np.testing.assert_allclose(ours, ST_END, atol=1e-4, rtol=0.0)


@pytest.mark.parametrize("car", CARS)
@pytest.mark.parametrize("speed", [5.0, 12.0, 25.0, 40.0])
def test_linearised_single_track_is_the_reference(car, speed):
    """With nothing replaced, ours linearised about straight driving is ST, which is linear in β, r and δ."""
    ours = vehicle_of_single_track(car)
    system = linearise(ours, speed)
    p = parameters(car)
    columns = []
    for slip, yaw_rate, angle in ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 0.5)):
        slope = reference_slope(p, [0.0, 0.0, angle, speed, 0.0, yaw_rate, slip])
        columns.append((speed * slope[6], slope[5]))
    # v = V β to first order.
    theirs = np.array(columns).T / [speed, 1.0, 0.5]
    np.testing.assert_allclose(np.hstack([system.A, system.B]), theirs, rtol=1e-9, atol=1e-9)


def step_angle(car, speed: float, lateral_acceleration: float) -> float:
    """Give the road-wheel angle (rad) of a steady lateral acceleration (m/s²), within the stop."""
    p = car.plant
    curvature = lateral_acceleration / speed**2
    angle = math.atan(p.wheelbase * curvature) + p.understeer_gradient * lateral_acceleration
    return math.copysign(min(abs(angle), 0.95 * p.angle_limit), angle)


def assert_same_path(ours: np.ndarray, theirs: np.ndarray) -> None:
    """Within 1 mm and 0.01 degrees, everywhere."""
    assert np.max(np.hypot(*(ours - theirs).T[:2])) < 1e-3
    assert np.max(np.abs(ours[:, 2] - theirs[:, 2])) < math.radians(0.01)
    assert np.max(np.abs(theirs[:, 2])) > math.radians(1.0)


@pytest.mark.parametrize("side", [1.0, -1.0], ids=["left", "right"])
@pytest.mark.parametrize("speed", [5.0, 10.0, 20.0, 30.0])
@pytest.mark.parametrize("car", CARS)
def test_single_track_step_steer(car, speed, side):
    """10 s after a step of steering for 4 m/s²: one path, with ST's tyre law in our equations and our RK4."""
    ours, p = vehicle_of_single_track(car), parameters(car)
    angle = step_angle(ours, speed, 4.0 * side)
    step = SmallAngleTyres().rebound(rk4)
    h = 0.005  # s, the step of the bench
    assert_same_path(
        single_track.drive_ours(ours, speed, angle, 10.0, step, h),
        single_track.drive_reference(p, speed, angle, 10.0, h),
    )


@pytest.mark.parametrize("speed", [10.0, 20.0, 30.0])
@pytest.mark.parametrize("car", CARS)
def test_single_track_small_step_steer_unchanged(car, speed):
    """For 0.1 m/s², where small angles are exact enough, the same path with nothing replaced in ours."""
    ours, p = vehicle_of_single_track(car), parameters(car)
    angle = step_angle(ours, speed, 0.1)
    assert_same_path(
        single_track.drive_ours(ours, speed, angle, 10.0, rk4, 0.005),
        single_track.drive_reference(p, speed, angle, 10.0, 0.005),
    )
