"""Plans: limits that no variant exceeds, values that come back, refusals that say what would do."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest

import tuning
from tracks.errors import InputError
from tuning.command_line.main import run
from tuning.excitation.candidates import Course, candidates, speeds_of
from tuning.excitation.choose import choose, half_widths
from tuning.excitation.ground import log_of_run, run_of
from tuning.excitation.saving import channel_file, command_table
from tuning.excitation.space import Limits, Size
from tuning.excitation.variants import on_the_ground
from tuning.identification.needed import Need
from tuning.logs import Log
from tuning.vehicle import Vehicle

NOMINAL = Vehicle.model_validate({"body": {"wheelbase": 2.9, "width": 2.0}})
SPACE = tuning.Space(length=110.0, width=20.0)
NOISE = {"speed": 0.03, "yaw_rate": 0.005, "steering_angle": 0.001}


@pytest.fixture(scope="module")
def plan():
    """For a shuttle of usual values in 110 m by 20 m."""
    return tuning.plan_excitation(NOMINAL, SPACE, 7.0, 2.0)


def corners(run, size):
    """Corners of the body over time, shape (n, 4, 2), m: rotated as complex numbers, not as the plan does it."""
    at = run.series("x") + 1j * run.series("y")
    turned = np.exp(1j * run.series("heading"))
    ends = [
        x + 1j * y
        for x in (-size.rear, size.wheelbase + size.front)
        for y in (-0.5 * size.width, 0.5 * size.width)
    ]
    every = np.stack([at + turned * end for end in ends], axis=1)
    return np.stack([every.real, every.imag], axis=2)


def drawn(rng, nominal=NOMINAL):
    """A vehicle drawn evenly from all that the plan says it may turn out to be."""
    u = rng.uniform
    return nominal.replace(
        **{
            "steering.dead_time": u(0.05, 0.25),
            "steering.natural_frequency": nominal.steering.natural_frequency / u(0.6, 1.6),
            "steering.gain": u(0.95, 1.05),
            "steering.offset": u(-0.005, 0.005),
            "tyres.understeer_gradient": u(-0.002, 0.002),
            "drive.lag": nominal.drive.lag * u(0.6, 1.6),
            "drive.brake_lag": nominal.drive.brake_lag * u(0.6, 1.6),
            "drive.brake_dead_time": u(0.15, 0.4),
            "steering.rate_limit": 100.0,
        }
    )


def test_no_vehicle_that_was_reckoned_with_leaves_space_or_limits(plan):
    """Forty vehicles drawn from inside the uncertainty, not its corners, keep speed, acceleration, rate and ground."""
    rng = np.random.default_rng(0)
    for _ in range(40):
        vehicle = drawn(rng)
        for drive, ground in zip(plan.drives, plan.grounds, strict=True):
            done = run_of(vehicle, drive)
            swept = corners(done, plan.size) + np.array(ground.start)
            assert np.min(swept[..., 0]) >= SPACE.margin - 1e-6
            assert np.max(swept[..., 0]) <= SPACE.length - SPACE.margin
            assert np.max(np.abs(swept[..., 1])) <= 0.5 * SPACE.width - SPACE.margin
            assert np.max(done.series("speed")) <= 7.0
            assert done.series("speed")[-1] < 0.05
            assert np.max(np.abs(done.series("lateral_acceleration"))) <= 2.0
            assert np.max(np.abs(done.series("steering_rate"))) <= NOMINAL.steering.rate_limit
            assert np.max(-done.series("longitudinal_acceleration")) <= 4.0


@pytest.mark.parametrize(
    ("wheelbase", "space", "speed", "lateral"),
    [
        (0.32, (12.0, 4.0, 0.3), 2.0, 3.0),
        (1.5, (30.0, 8.0, 1.0), 3.0, 1.0),
        (2.7, (60.0, 14.0, 2.0), 6.0, 2.0),
        (2.9, (25.0, 8.0, 2.0), 4.0, 2.0),
        (6.0, (200.0, 30.0, 3.0), 12.0, 2.5),
        (3.4, (40.0, 40.0, 2.0), 5.0, 4.0),
    ],
)
def test_every_candidate_keeps_space_and_limits(wheelbase, space, speed, lateral):
    """Small cars to buses: each drive offered keeps all of it for every corner of the uncertainty."""
    nominal = Vehicle.model_validate({"body": {"wheelbase": wheelbase}})
    limits = Limits(speed, lateral, nominal.steering.rate_limit, nominal.steering.angle_limit)
    ground = tuning.Space(*space)
    size = Size.of(wheelbase, None)
    vehicles = on_the_ground(nominal, tuning.Uncertainty())
    offered = candidates(Course(vehicles, size, ground, limits))
    assert any(np.any(one.drive.curvature_command) for one in offered)
    for one in offered:
        # The start is where the box of all vehicles begins at the margin, in the middle of the width.
        for vehicle in (vehicles[0], vehicles[3], vehicles[-1]):
            done = run_of(vehicle, one.drive)
            swept = corners(done, size) + np.array(one.ground.start)
            assert np.min(swept[..., 0]) >= ground.margin - 1e-6
            assert np.max(swept[..., 0]) <= ground.length - ground.margin + 1e-6
            assert np.max(np.abs(swept[..., 1])) <= 0.5 * ground.width - ground.margin + 1e-6
            assert np.max(np.abs(done.series("lateral_acceleration"))) <= lateral
            assert np.max(done.series("speed")) <= speed
            assert np.max(np.abs(done.series("steering_rate"))) <= limits.steering_rate


def test_the_plan_determines_everything_even_without_one_drive(plan):
    """Every needed value shows with caution; the forecast agrees with the expected half-widths."""
    assert plan.undetermined == ()
    assert plan.foreseen.undetermined == ()
    for name, (wide, need) in plan.expected.items():
        assert wide <= need
        assert plan.foreseen.values.loc[name, "half_width"] <= wide
    kinds = " ".join(drive.name for drive in plan.drives)
    assert "braking" in kinds
    assert len(plan.drives) <= 8


def test_the_planned_drives_give_the_values_of_another_vehicle(plan):
    """A vehicle unlike the nominal one, driven as planned and identified, is found within its needed widths.

    It is driven by `tuning.open_loop`, measured with the noise that the plan reckons with, and identified from the logs;
    the found intervals are at most twice those foreseen, as the plan's factor of caution says.
    """
    true = {
        "steering.dead_time": 0.17,
        "steering.natural_frequency": 9.0,
        "steering.damping": 0.7,
        "steering.gain": 1.04,
        "steering.offset": -0.004,
        "tyres.understeer_gradient": 0.0018,
        "drive.dead_time": 0.25,
        "drive.lag": 0.4,
        "drive.brake_dead_time": 0.2,
        "drive.brake_lag": 0.28,
        "drive.speed_gain": 0.95,
    }
    vehicle = NOMINAL.replace(**true)
    rng = np.random.default_rng(5)
    logs = []
    for drive in plan.drives:
        log = log_of_run(drive.name, drive, vehicle, plan.outputs)
        noisy = {name: log[name] + rng.normal(0.0, NOISE[name], len(log)) for name in NOISE}
        noisy["speed"] = np.where(
            log["speed"] > 0.05, noisy["speed"], 0.0
        )  # wheel sensors at standstill read 0
        logs.append(Log(drive.name, {**log.data, **noisy}))
    found = tuning.identify(logs, known={"wheelbase": 2.9})
    assert found.trusted
    for name, value in true.items():
        row = found.parameters.loc[name]
        assert abs(row["value"] - value) < 3.0 * row["standard_error"], name
        need = plan.expected[name][1]
        assert abs(row["value"] - value) < need, name
        assert row["high"] - row["low"] < 2.0 * need, name
        assert 1.96 * row["standard_error"] < 2.0 * plan.foreseen.values.loc[name, "half_width"], name


def test_a_small_space_leaves_understeer_open_and_says_so():
    """In 25 m by 8 m only walking pace fits: understeer at 4 m/s stays open, without drives in vain."""
    small = tuning.plan_excitation(NOMINAL, tuning.Space(25.0, 8.0), 4.0, 2.0)
    assert small.undetermined == ("tyres.understeer_gradient",)
    assert len(small.drives) < 10
    assert any("would not determine tyres.understeer_gradient" in text for text in small.findings)
    assert any("no steering manoeuvre fits the space at" in text for text in small.findings)
    assert "for tyres.understeer_gradient: tight circles" in str(small)


def test_nothing_fits_is_refused_with_a_space_that_would_do():
    """The sentence names a space, and in that space a plan is found."""
    with pytest.raises(InputError, match="no steering manoeuvre fits into 15 m by 6 m") as error:
        tuning.plan_excitation(NOMINAL, tuning.Space(15.0, 6.0), 5.0, 2.0)
    length, width = map(float, re.findall(r"(\d+) m by (\d+) m would do", str(error.value))[0])
    larger = tuning.plan_excitation(NOMINAL, tuning.Space(length, width), 5.0, 2.0, ["steering.offset"])
    assert larger.drives


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"speed": -1.0}, "speed"),
        ({"lateral_acceleration": 0.0}, "lateral_acceleration"),
        ({"outputs": ("yaw",)}, "outputs"),
        ({"needed": ["steering.colour"]}, "steering.colour"),
        ({"caution": 0.5}, "caution"),
    ],
)
def test_refusals_say_what_to_correct(arguments, words):
    """Mistakes give one clear sentence."""
    settings = {"space": tuning.Space(60.0, 14.0), "speed": 3.0, "lateral_acceleration": 2.0} | arguments
    with pytest.raises(InputError, match=words):
        tuning.plan_excitation(NOMINAL, **settings)


def test_spaces_and_uncertainties_are_checked():
    """A space inside its own margin, and an uncertainty that is none, are refused."""
    for values in ((3.0, 8.0), (-1.0, 8.0), (np.nan, 8.0)):
        with pytest.raises(InputError):
            tuning.Space(*values)
    for values in ({"dead_time": (0.3, 0.1)}, {"lag": (1.2, 1.6)}, {"gain": 0.9}):
        with pytest.raises(InputError):
            tuning.Uncertainty(**values)


def test_speeds_go_from_walking_pace_to_just_below_the_top():
    """The top is kept for what a speed loop overshoots; a slow vehicle's walking pace is slower."""
    limits = Limits(8.0, 2.0, 0.6, 0.6)
    assert speeds_of(limits)[0] == 1.5
    assert 0.9 * 8.0 < speeds_of(limits)[-1] < 8.0
    assert speeds_of(Limits(1.0, 2.0, 0.6, 0.6))[0] == pytest.approx(0.4)


class Told:
    """Information of three drives on one value, in place of a simulated one."""

    def __init__(self, *amounts):
        from tuning.identification.unknowns import Unknown

        values = np.array(amounts)[:, None, None]
        self.parts = (((Unknown("body.wheelbase", "m", 0.0, 1e6, 3.0),), values),)


def test_the_fewest_drives_are_chosen_even_without_one():
    """Drives of information 4, 1 and 4 per m²: half-width 1.96/√I; 1 m needs I ≥ 3.84 without any one drive."""
    needs = {"body.wheelbase": Need(absolute=1.0)}
    assert sorted(choose([Told(4.0, 1.0, 4.0)], 3, needs, 1.0, 9)) == [0, 2]
    assert half_widths(Told(4.0, 1.0, 4.0), [0], needs)["body.wheelbase"][0] == pytest.approx(0.98, rel=1e-6)
    # One drive that tells enough must be repeated where there is no other.
    assert choose([Told(4.0)], 1, needs, 1.0, 9) == [0, 0]
    # A worse variant decides.
    assert len(choose([Told(4.0, 4.0, 4.0), Told(2.0, 2.0, 2.0)], 3, needs, 1.0, 9)) == 3


def test_files_read_back(plan, tmp_path):
    """Commands as CSV with units, a channel file that reads a log with these columns, pictures, a card with cautions."""
    files = plan.save(tmp_path / "plan")
    names = [file.name for file in files]
    assert all(file.is_file() and file.stat().st_size > 0 for file in files)
    assert {"plan.txt", "channels.toml", "card.html"} <= set(names)
    assert sum(name.endswith(".csv") for name in names) == len(plan.drives)
    assert sum(name.endswith(".png") for name in names) == len(plan.drives)
    card = (tmp_path / "plan" / "card.html").read_text(encoding="utf-8")
    for words in (
        "Closed course",
        "trained safety driver",
        "working stop device",
        "Local codes",
        *names[2:4],
    ):
        assert words in card
    drive = plan.drives[0]
    rows = command_table(drive, plan.interface).splitlines()
    assert rows[0] == "time [s],curvature_command [1/m],speed_command [m/s],acceleration_command [m/s^2]"
    assert len(rows) == drive.time.size + 1
    measured = log_of_run("x", drive, NOMINAL, plan.outputs)
    more = {"speed [m/s]": "speed", "yaw_rate [rad/s]": "yaw_rate", "steering_angle [rad]": "steering_angle"}
    (tmp_path / "channels.toml").write_text(channel_file(plan), encoding="utf-8")
    lines = [",".join([rows[0], *more])]
    lines += [
        ",".join([row, *(f"{measured[name][i]:.9f}" for name in more.values())])
        for i, row in enumerate(rows[1:])
    ]
    (tmp_path / "log.csv").write_text("\n".join(lines), encoding="utf-8")
    log = tuning.read_log(tmp_path / "log.csv", tmp_path / "channels.toml")
    np.testing.assert_allclose(log["curvature_command"], drive.curvature_command, atol=1e-6)
    np.testing.assert_allclose(log["speed_command"], drive.speed_command, atol=1e-4)
    np.testing.assert_allclose(log["yaw_rate"], measured["yaw_rate"], atol=1e-8)


def test_vehicles_that_take_a_number_get_numbers():
    """A static map turns curvature into the number to send; the plan's files and logs hold that."""
    cart = Vehicle.model_validate(
        {
            "body": {"wheelbase": 2.0, "width": 1.2},
            "steering": {
                "interface": "number",
                "map_command": (-1.0, 0.0, 1.0),
                "map_angle": (-0.5, 0.02, 0.45),
            },
        }
    )
    made = tuning.plan_excitation(
        cart, tuning.Space(60.0, 14.0), 4.0, 2.0, ["steering.dead_time", "drive.lag"]
    )
    drive = next(d for d in made.drives if np.any(d.curvature_command))
    assert drive.steering_command is not None
    at = int(np.argmax(drive.curvature_command))
    angle = float(np.arctan(2.0 * drive.curvature_command[at]))
    assert drive.steering_command[at] == pytest.approx(cart.steering_number(angle))
    assert "steering_command [-]" in command_table(drive, made.interface)


def arguments(folder, **changes):
    """Words for `pathtrim excite`, some of them changed or left out (None)."""
    words = {
        "wheelbase": 2.9,
        "length": 60,
        "width": 14,
        "speed": 4,
        "lateral-acceleration": 2,
        "out": folder,
    } | changes
    return [
        "excite",
        *(word for name, value in words.items() if value is not None for word in (f"--{name}", str(value))),
    ]


def test_the_command_plans_and_says_what_is_open(tmp_path, capsys):
    """Status 0 and one JSON object where all is determined; 1, naming the value, where the best plan leaves one open."""
    assert run([*arguments(tmp_path / "a", needed="steering.dead_time"), "--json"]) == 0
    out, _ = capsys.readouterr()
    data = json.loads(out)
    assert data["values"]["steering.dead_time"]["determined"]
    assert data["undetermined"] == []
    assert all((tmp_path / "a").joinpath(file.split("/")[-1]).is_file() for file in data["files"])
    assert data["drives"][0]["peaks"]["speed"] <= 4.0
    assert run(arguments(tmp_path / "b", length=25, width=8)) == 1
    out, err = capsys.readouterr()
    assert "leaves open: tyres.understeer_gradient" in err
    assert "NOT determined" in out


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"wheelbase": None}, "neither of --vehicle and --wheelbase"),
        ({"vehicle": "car.toml"}, "both of --vehicle and --wheelbase"),
        ({"wheelbase": None, "vehicle": "absent.toml"}, "absent.toml"),
        ({"length": 15, "width": 6}, "would do"),
        ({"width": 3}, "margin"),
        ({"speed": "fast"}, "--speed"),
        ({"wheelbase": None, "vehicle": "car.toml", "mass": 900}, "--mass"),
    ],
)
def test_the_command_refuses_in_one_sentence(changes, said, tmp_path, capsys):
    """Status 2, what to correct, and nothing written."""
    folder = tmp_path / "plan"
    assert run(arguments(folder, **changes)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert "Traceback" not in err
    assert not folder.exists()
