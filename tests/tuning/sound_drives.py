"""Drives with sound sensors, of vehicles of any size, and the faults put into them: written without the project's vehicle.

A single-track vehicle by geometry with understeer; its tyres roll a relaxation length before they answer, its steering is a
first-order lag after a dead time. Sensors have noise, counts, rates, delays and places of their own, as sound ones have.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tuning.logs import Log

STEP = 0.005  # s, of the integration


@dataclass(frozen=True)
class Setting:
    """What distinguishes one sound drive from another; SI units."""

    wheelbase: float = 2.9
    speed: float = 8.0
    seconds: float = 60.0
    rate: float = 50.0
    noise: float = 1.0
    style: str = "weaving"  # weaving, steps, one side, tiny, parking, stops
    understeer: float = 0.002
    gyro_offset: float = 0.002
    bank: float = 0.1
    place: float = 1.3  # of the accelerometer ahead of the rear axle
    antenna: float = 0.3  # of the receiver ahead of the rear axle
    held: int = 1  # samples that speed and heading are held for
    jitter: float = 0.0
    heading_start: float = 0.0
    roll: float = 0.08  # of the lateral acceleration that a rolling body adds
    seed: int = 1


def random_setting(seed: int) -> Setting:
    """A sound drive drawn at random: 0.17 to 6 m of wheelbase, crawling to motorway, quiet to noisy."""
    rng = np.random.default_rng(seed)
    wheelbase = float(np.exp(rng.uniform(np.log(0.17), np.log(6.0))))
    fastest = min(3.0 + 8.0 * wheelbase, 33.0)
    return Setting(
        wheelbase=wheelbase,
        speed=float(np.exp(rng.uniform(np.log(0.6 + 0.4 * wheelbase), np.log(fastest)))),
        seconds=float(rng.uniform(20.0, 150.0)),
        rate=float(rng.choice([10.0, 20.0, 50.0, 100.0])),
        noise=float(np.exp(rng.uniform(np.log(0.2), np.log(4.0)))),
        style=str(rng.choice(["weaving", "steps", "one side", "tiny", "parking", "stops"])),
        understeer=float(rng.uniform(-0.0005, 0.006)) * min(wheelbase / 2.9, 1.0),
        gyro_offset=float(rng.normal(0.0, 0.006)),
        bank=float(rng.normal(0.0, 0.2)),
        place=float(rng.uniform(0.0, 0.6)) * wheelbase,
        antenna=float(rng.uniform(-0.2, 0.6)) * wheelbase,
        held=int(rng.choice([1, 1, 1, 2, 5])),
        jitter=float(rng.choice([0.0, 0.1])),
        heading_start=float(rng.uniform(-3.1, 3.1)),
        roll=float(rng.uniform(0.0, 0.2)),
        seed=seed,
    )


def drive(setting: Setting) -> Log:
    """Drive one setting and log every channel."""
    s, rng = setting, np.random.default_rng(setting.seed)
    fine = np.arange(0.0, s.seconds, STEP)
    speed = _speeds(s, fine, rng)
    command = _commands(s, fine, rng)
    angle, r, sideways, heading, x, y = _driven(s, fine, speed, command)
    time = np.arange(0.0, s.seconds - 0.3, 1.0 / s.rate)
    time = time + s.jitter / s.rate * rng.uniform(-0.5, 0.5, time.size)
    time -= time[0]

    def at(values, delay=0.0):
        return np.interp(time - delay, fine, values)

    def noisy(values, deviation, count=0.0):
        values = values + s.noise * rng.normal(0.0, deviation, values.size)
        return np.round(values / count) * count if count else values

    small = min(s.wheelbase / 2.9, 1.0)
    yaw_acceleration = np.gradient(r, STEP)
    lateral = (1.0 + s.roll) * (speed * r + np.gradient(sideways, STEP)) + s.place * yaw_acceleration + s.bank
    track = 0.55 * s.wheelbase
    east = x + s.antenna * np.cos(heading)
    north = y + s.antenna * np.sin(heading)
    front = np.hypot(speed, sideways + s.wheelbase * r) * np.where(speed < 0.0, -1.0, 1.0)
    data = {
        "curvature_command": np.tan(at(command)) / s.wheelbase,
        "speed": _held(noisy(at(speed, 0.03), 0.02 + 0.002 * s.speed, 0.01), s.held),
        "steering_angle": noisy(at(angle, 0.01), 0.001, 0.0005),
        "yaw_rate": noisy(at(r, 0.02), 0.004, 0.0005) + s.gyro_offset,
        "lateral_acceleration": noisy(at(lateral, 0.02), 0.15, 0.005),
        "longitudinal_acceleration": noisy(at(np.gradient(speed, STEP) - sideways * r, 0.02), 0.15, 0.005),
        "heading": _held(noisy(at(heading, 0.02), 0.003), s.held),
        "x": _held(noisy(at(east, 0.02), 0.015 * small), s.held),
        "y": _held(noisy(at(north, 0.02), 0.015 * small), s.held),
        "wheel_speed_rear_left": noisy(at(speed - 0.5 * track * r, 0.03), 0.01 + 0.001 * s.speed, 0.005),
        "wheel_speed_rear_right": noisy(at(speed + 0.5 * track * r, 0.03), 0.01 + 0.001 * s.speed, 0.005),
        "wheel_speed_front_left": noisy(at(front - 0.5 * track * r, 0.03), 0.01 + 0.001 * s.speed, 0.005),
        "wheel_speed_front_right": noisy(at(front + 0.5 * track * r, 0.03), 0.01 + 0.001 * s.speed, 0.005),
    }
    data["heading"] = np.angle(np.exp(1j * data["heading"]))
    return Log(f"drive {s.seed}", {"time": time, **data})


def _held(values, count):
    return values if count == 1 else np.repeat(values[::count], count)[: values.size]


def _speeds(s: Setting, fine, rng):
    slow = 0.5 + 0.5 * np.sin(2.0 * np.pi * fine / rng.uniform(20.0, 50.0) + rng.uniform(0.0, 6.0))
    speed = s.speed * (0.5 + 0.5 * slow)
    if s.style == "stops":
        speed = s.speed * np.clip(1.4 * np.sin(2.0 * np.pi * fine / rng.uniform(15.0, 35.0)) + 0.4, 0.0, 1.0)
    if s.style == "parking":
        speed = min(s.speed, 2.5) * np.clip(
            1.8 * np.sin(2.0 * np.pi * fine / rng.uniform(12.0, 25.0)), -0.6, 1.0
        )
    window = np.hanning(round(1.0 / STEP))
    return np.convolve(np.pad(speed, window.size // 2, "edge"), window / window.sum(), "same")[
        window.size // 2 : window.size // 2 + fine.size
    ]


def _commands(s: Setting, fine, rng):
    """Road-wheel angle asked for, rad; 2 to 4 m/s² sideways at most, and 25 deg."""
    largest = min(float(rng.uniform(2.0, 4.0)) * (s.wheelbase + 0.006 * s.speed**2) / s.speed**2, 0.44)
    sines = sum(
        a * np.sin(2.0 * np.pi * f * fine * rng.uniform(0.8, 1.25) + rng.uniform(0.0, 6.3))
        for f, a in ((0.05, 0.4), (0.15, 0.3), (0.4, 0.2), (0.9, 0.1))
    )
    steps = np.sign(np.sin(2.0 * np.pi * fine / rng.uniform(6.0, 14.0) + rng.uniform(0.0, 6.0)))
    return (
        largest
        * {
            "weaving": sines,
            "steps": 0.7 * steps * (rng.uniform(0.4, 1.0) + 0.3 * np.sin(0.3 * fine)),
            "one side": 0.5 + 0.4 * sines,
            "tiny": 0.03 * sines,
            "parking": np.clip(1.5 * sines, -1.0, 1.0),
            "stops": sines,
        }[s.style]
    )


def _driven(s: Setting, fine, speed, command):
    dead, lag = round(0.12 / STEP), 0.1
    relaxation = 0.17 * s.wheelbase
    angle, r = np.zeros(fine.size), np.zeros(fine.size)
    for i in range(1, fine.size):
        asked = command[max(i - 1 - dead, 0)]
        angle[i] = angle[i - 1] + STEP / lag * (asked - angle[i - 1])
        v = speed[i - 1]
        steady = v * np.tan(angle[i - 1]) / (s.wheelbase + s.understeer * v * v)
        answer = max(relaxation / max(abs(v), 0.05), 0.02) if abs(v) > 1.0 else 0.02
        r[i] = r[i - 1] + STEP / min(answer, 0.2) * (steady - r[i - 1])
    sideways = -0.003 * speed**2 * r * min(s.wheelbase, 1.0)  # at the rear axle
    heading = s.heading_start + np.cumsum(r) * STEP
    x = np.cumsum(speed * np.cos(heading) - sideways * np.sin(heading)) * STEP
    y = np.cumsum(speed * np.sin(heading) + sideways * np.cos(heading)) * STEP
    return angle, r, sideways, heading, x, y


def changed(log: Log, **columns) -> Log:
    """The log with some columns replaced, or, given None, left out."""
    data = {name: values for name, values in {**log.data, **columns}.items() if values is not None}
    return Log(log.name, data, log.steering_unit)


def later(log: Log, channel: str, delay: float):
    """A channel as it would come `delay` s too late."""
    return np.interp(log["time"] - delay, log["time"], log[channel])


def _spiked(values, rng, size):
    values = values.copy()
    at = rng.choice(np.arange(5, values.size - 5), max(values.size // 150, 4), replace=False)
    values[at] += size * rng.choice([-1.0, 1.0], at.size)
    return values


def _zeroed(values, rng):
    values = values.copy()
    values[rng.choice(np.arange(5, values.size - 5), max(values.size // 60, 4), replace=False)] = 0.0
    return values


def _stuck(log, channel):
    values, n = log[channel].copy(), len(log)
    values[n // 3 : n // 3 + n // 4] = values[n // 3]
    return values


def _slow_clock(log, channel, share):
    return np.interp(log["time"] * (1.0 - share), log["time"], log[channel])


def _turned(log, angle):
    a_x, a_y = log["longitudinal_acceleration"], log["lateral_acceleration"]
    c, s = np.cos(angle), np.sin(angle)
    return {"longitudinal_acceleration": c * a_x + s * a_y, "lateral_acceleration": c * a_y - s * a_x}


def _jumping(log):
    time = log["time"].copy()
    for share in (0.3, 0.5, 0.7):
        time[int(share * time.size) :] += 4.0
    return time


RNG = np.random.default_rng(5)
# Fault -> (how it is put into a log, the channels of which one must be named, words that must be said).
FAULTS = {
    "yaw rate negated": (lambda g: {"yaw_rate": -g["yaw_rate"]}, ("yaw_rate",), "yaw_rate looks negated"),
    "steering angle negated": (
        lambda g: {"steering_angle": -g["steering_angle"]},
        ("steering_angle",),
        "steering_angle looks negated",
    ),
    "lateral acceleration negated": (
        lambda g: {"lateral_acceleration": -g["lateral_acceleration"]},
        ("lateral_acceleration",),
        "lateral_acceleration looks negated",
    ),
    "longitudinal acceleration negated": (
        lambda g: {"longitudinal_acceleration": -g["longitudinal_acceleration"]},
        ("longitudinal_acceleration",),
        "looks negated",
    ),
    "steering in degrees": (
        lambda g: {"steering_angle": np.degrees(g["steering_angle"])},
        ("steering_angle",),
        "steering_angle looks like deg labelled rad",
    ),
    "yaw rate in degrees": (
        lambda g: {"yaw_rate": np.degrees(g["yaw_rate"])},
        ("yaw_rate",),
        "yaw_rate looks like deg/s labelled rad/s",
    ),
    "heading in degrees": (
        lambda g: {"heading": np.degrees(g["heading"])},
        ("heading",),
        "heading looks like deg labelled rad",
    ),
    "speed in km/h": (
        lambda g: {"speed": 3.6 * g["speed"]},
        ("speed",),
        "speed looks like km/h labelled m/s",
    ),
    "speed in mph": (
        lambda g: {"speed": 2.2369 * g["speed"]},
        ("speed",),
        "speed looks like mph labelled m/s",
    ),
    "wheels in km/h": (
        lambda g: {name: 3.6 * x for name, x in g.data.items() if name.startswith("wheel")},
        ("wheel speeds",),
        "the wheel speeds look like km/h",
    ),
    "hand wheel": (
        lambda g: {"steering_angle": 16.2 * g["steering_angle"]},
        ("steering_angle",),
        "hand wheel",
    ),
    "lateral acceleration in g": (
        lambda g: {"lateral_acceleration": g["lateral_acceleration"] / 9.80665},
        ("lateral_acceleration",),
        "lateral_acceleration looks like g labelled m/s²",
    ),
    "yaw rate 0.32 s late": (lambda g: {"yaw_rate": later(g, "yaw_rate", 0.32)}, ("yaw_rate",), "yaw_rate"),
    "steering 0.4 s late": (
        lambda g: {"steering_angle": later(g, "steering_angle", 0.4)},
        ("steering_angle",),
        "steering_angle",
    ),
    "yaw rate on a slow clock": (
        lambda g: {"yaw_rate": _slow_clock(g, "yaw_rate", 0.6 / g.duration)},
        ("yaw_rate",),
        "drift",
    ),
    "rear wheels swapped": (
        lambda g: {
            "wheel_speed_rear_left": g["wheel_speed_rear_right"],
            "wheel_speed_rear_right": g["wheel_speed_rear_left"],
        },
        ("wheel_speed_rear_left",),
        "left and right look swapped",
    ),
    "compass heading": (
        lambda g: {"heading": np.angle(np.exp(1j * (0.5 * np.pi - g["heading"])))},
        ("heading",),
        "heading looks like a compass bearing",
    ),
    "x and y swapped": (lambda g: {"x": g["y"], "y": g["x"]}, ("x",), "x and y look swapped"),
    "y negated": (lambda g: {"y": -g["y"]}, ("y",), "y looks negated"),
    "north-east-down": (
        lambda g: {
            "x": g["y"],
            "y": g["x"],
            "heading": np.angle(np.exp(1j * (0.5 * np.pi - g["heading"]))),
        },
        ("heading",),
        "north-east-down",
    ),
    "heading turned round": (
        lambda g: {"heading": np.angle(np.exp(1j * (np.pi + g["heading"])))},
        ("heading",),
        "turned round by 180 deg",
    ),
    "time in ms": (lambda g: {"time": 1000.0 * g["time"]}, ("time",), "time looks like ms labelled s"),
    "clock jumps": (lambda g: {"time": _jumping(g)}, ("time",), "the clock of log"),
    "yaw rate stuck": (lambda g: {"yaw_rate": _stuck(g, "yaw_rate")}, ("yaw_rate",), "stuck"),
    "yaw rate dead": (lambda g: {"yaw_rate": 0.0 * g["yaw_rate"]}, ("yaw_rate",), "it measures nothing"),
    "yaw rate spikes": (
        lambda g: {"yaw_rate": _spiked(g["yaw_rate"], RNG, 12.0 * np.std(g["yaw_rate"]))},
        ("yaw_rate",),
        "spikes",
    ),
    "speed drops to 0": (lambda g: {"speed": _zeroed(g["speed"], RNG)}, ("speed",), "drops to 0"),
    "accelerometer swapped": (
        lambda g: {
            "lateral_acceleration": g["longitudinal_acceleration"],
            "longitudinal_acceleration": g["lateral_acceleration"],
        },
        ("lateral_acceleration",),
        "swapped",
    ),
    "accelerometer turned by 35 deg": (
        lambda g: _turned(g, np.radians(35.0)),
        ("lateral_acceleration",),
        "looks turned",
    ),
    "gravity in the lateral acceleration": (
        lambda g: {"lateral_acceleration": g["lateral_acceleration"] + 9.8},
        ("lateral_acceleration",),
        "gravity",
    ),
    "yaw rate cut off": (
        lambda g: {
            "yaw_rate": np.clip(
                g["yaw_rate"],
                -np.percentile(np.abs(g["yaw_rate"]), 90),
                np.percentile(np.abs(g["yaw_rate"]), 90),
            )
        },
        ("yaw_rate",),
        "cut off",
    ),
}


def unsigned(setting: Setting) -> Log:
    """A parking drive whose speed and wheels have lost their sign."""
    log = drive(replace(setting, style="parking"))
    names = [name for name in log.data if "speed" in name]
    return changed(log, **{name: np.abs(log[name]) for name in names})
