"""The vehicle file: written and read without loss, and refused in one sentence when malformed."""

from __future__ import annotations

import pickle
import tomllib

import pytest
from pydantic import ValidationError

from tracks.errors import FileError, InputError
from tuning.vehicle import SINGLE_TRACK, Provenance, Vehicle

SHUTTLE = Vehicle.model_validate(
    {
        "body": {"wheelbase": 3.4, "mass": 3600.0, "front_axle_distance": 1.9, "width": 2.1},
        "tyres": {"cornering_stiffness_front": 1.0e5 / 3.0, "cornering_stiffness_rear": 123456.789},
        "steering": {
            "interface": "number",
            "dead_time": 0.1 + 0.2,
            "map_command": [-1.0, 0.0, 0.25, 1.0],
            "map_angle": [-0.5, 0.01, 0.1, 0.55],
        },
        "drive": {"lag": 1e-2, "speed_gain": 3},
        "provenance": {
            "name": 'the "grey" one',
            "notes": "two\nlines, a tab\t, a backslash \\ and µ\x7f",
            "assumed": ["body.yaw_inertia"],
            "intervals": {"steering.dead_time": [0.29, 1 / 3]},
            "fit": {"yaw_rate": 91.25, "with space": 1e-7},
        },
    }
)
GOOD = """\
[body]
wheelbase = 3.4
mass = 3600
[tyres]
[steering]
dead_time = 0.11
[drive]
lag = 0.4
"""


def refused(tmp_path, text: str) -> str:
    """The message with which a file is refused; the file's name must be in it."""
    file = tmp_path / "vehicle.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(FileError) as caught:
        Vehicle.load(file)
    message = str(caught.value)
    assert message.startswith(f"{file}: ")
    assert "\n" not in message
    return message.removeprefix(f"{file}: ")


def test_round_trip_is_identical(tmp_path):
    """What is saved is what is loaded, to the last bit, and saving again gives the same bytes."""
    file, again = tmp_path / "a.toml", tmp_path / "b.toml"
    SHUTTLE.save(file)
    loaded = Vehicle.load(file)
    assert loaded == SHUTTLE
    loaded.save(again)
    assert again.read_bytes() == file.read_bytes()


def test_every_value_is_written_with_its_unit(tmp_path):
    """A reader of the file sees units, cautions, and what is not known."""
    file = tmp_path / "vehicle.toml"
    SHUTTLE.save(file)
    text = file.read_text(encoding="utf-8")
    assert "\nwheelbase = 3.4  # m; " in text
    assert "\nrate_limit = 0.6  # rad/s; " in text
    assert "\n# yaw_inertia is not given  # kg m²; " in text
    for caution in ("closed course", "trained safety", "stop device", "licensed practice"):
        assert caution in text
    tables = tomllib.loads(text)
    for table in ("steering", "drive"):
        for name in tables[table]:
            line = next(line for line in text.splitlines() if line.startswith(f"{name} = "))
            assert "  # " in line


def test_what_a_file_leaves_out_is_listed_as_assumed(tmp_path):
    """A default is used openly: its name goes to `provenance.assumed`."""
    file = tmp_path / "vehicle.toml"
    file.write_text(GOOD, encoding="utf-8")
    vehicle = Vehicle.load(file)
    assert "steering.damping" in vehicle.provenance.assumed
    assert "drive.speed_gain" in vehicle.provenance.assumed
    assert "steering.dead_time" not in vehicle.provenance.assumed
    assert vehicle.model_name == "kinematic"


def test_byte_order_mark_is_read_over(tmp_path):
    """A file saved by an editor that marks UTF-8 is read."""
    file = tmp_path / "vehicle.toml"
    file.write_text(GOOD, encoding="utf-8-sig")
    assert Vehicle.load(file).body.wheelbase == 3.4


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (("[body]\nwheelbase = 3.4\nmass = 3600\n", ""), "the table [body] is missing; expected a table [body]"),
        (("[drive]\nlag = 0.4\n", ""), "the table [drive] is missing"),
        (("wheelbase = 3.4\n", ""), "body.wheelbase: the field is missing"),
        (("wheelbase = 3.4", "wheelbase = 'long'"), "body.wheelbase: received 'long'; expected a number"),
        (("wheelbase = 3.4", "wheelbase = true"), "body.wheelbase: received True; expected a number"),
        (("wheelbase = 3.4", "wheelbase = nan"), "body.wheelbase: received nan; expected a finite number"),
        (("wheelbase = 3.4", "wheelbase = -3.4"), "body.wheelbase: received -3.4; expected a value greater than 0"),
        (
            ("mass = 3600", "front_axle_distance = 3.4"),
            "body: front_axle_distance is 3.4 m; expected less than the wheelbase of 3.4 m",
        ),
        (
            ("dead_time = 0.11", "dead_tme = 0.11"),
            'steering.dead_tme: the field is unknown; expected one of interface, dead_time, natural_frequency',
        ),
        (("dead_time = 0.11", "dead_time = [0.1]"), "steering.dead_time: received [0.1]; expected a"),
        (("dead_time = 0.11", "damping = 0"), "steering.damping: received 0; expected a value greater than"),
        (("dead_time = 0.11", "natural_frequency = 1e3"), "steering.natural_frequency: received 1000.0"),
        (("dead_time = 0.11", "offset = 0.5\nangle_limit = 0.4"), "steering: offset is 0.5 rad; expected a value"),
        (
            (
                "dead_time = 0.11",
                'offset = 0.15\ninterface = "number"\nmap_command = [-1, 1]\nmap_angle = [-0.1, 0.3]',
            ),
            "steering: offset is 0.15 rad; expected a value within the static map's nearer end of 0.1 rad",
        ),
        (("dead_time = 0.11", 'interface = "number"'), "steering: map_command has 0 values and map_angle 0"),
        (
            ("dead_time = 0.11", 'interface = "number"\nmap_command = [0, 1, 1]\nmap_angle = [0, 0.1, 0.2]'),
            "steering: map_command[2] is 1 after 1; expected increasing values",
        ),
        (
            ("dead_time = 0.11", 'interface = "number"\nmap_command = [0, 1]\nmap_angle = [0.2, 0.1]'),
            "steering: map_angle[1] is 0.1 after 0.2; expected increasing values",
        ),
        (("dead_time = 0.11", "map_command = [0, 1]"), 'steering: a static map is given with interface "curvature"'),
        (("dead_time = 0.11", 'interface = "wheel"'), "steering.interface: received 'wheel'"),
        (("lag = 0.4", "lag = 0"), "drive.lag: received 0; expected a value greater than or equal to 0.01"),
        (("mass = 3600", 'model = "single-track"'), 'body.model is "single-track" without body.mass, body.front'),
        (("[tyres]", "[tyre]"), "tyre: the table is unknown; expected one of body, tyres, steering"),
        (("[tyres]\n", "[provenance]\nintervals = {a = [2, 1]}\n"), "provenance: the interval of a is [2, 1]"),
        (("mass = 3600", "mass = "), "line 3: is not TOML (Invalid value)"),
        (("mass = 3600", "mass = 1\nmass = 2"), "line 4: is not TOML (Cannot overwrite a value)"),
    ],
)  # fmt: skip
def test_malformed_file_is_refused_in_one_sentence(tmp_path, change, sentence):
    """The message names the file, the line or field, what was received and what was expected."""
    assert change[0] in GOOD
    message = refused(tmp_path, GOOD.replace(*change))
    assert message.startswith(sentence)
    assert "to mend it: " in message


def test_unknown_field_suggests_the_nearest_name(tmp_path):
    """A slip of the pen is answered with the name that was probably meant."""
    assert refused(tmp_path, GOOD.replace("dead_time", "deadtime")).endswith(
        'write "dead_time" if that was meant'
    )
    assert refused(tmp_path, GOOD.replace("[tyres]", "[tires]")).endswith('write "tyres" if that was meant')


def test_stiffness_in_the_wrong_unit_is_refused(tmp_path):
    """Stiffnesses a thousand times too large would break the integration, and are a slip of units."""
    text = GOOD.replace("mass = 3600", "mass = 3.6\nfront_axle_distance = 1.7").replace(
        "[tyres]", "[tyres]\ncornering_stiffness_front = 1e5\ncornering_stiffness_rear = 1e5"
    )
    message = refused(tmp_path, text)
    assert "check the units" in message


def test_axles_that_no_law_could_be_told_of_are_refused(tmp_path):
    """Stiffnesses whose understeer is beyond what a `Response` takes are refused with the file, not when it drives."""
    text = GOOD.replace("mass = 3600", "mass = 3600\nfront_axle_distance = 1.7").replace(
        "[tyres]", "[tyres]\ncornering_stiffness_front = 1e4\ncornering_stiffness_rear = 1e5"
    )
    # K = 3600/3.4 · (1.7/1e4 − 1.7/1e5) = 0.162 rad/(m/s²).
    assert refused(tmp_path, text).startswith("the axles give an understeer gradient of 0.162 rad/(m/s²)")


def test_table_given_as_a_value_is_refused(tmp_path):
    """A name where a table belongs is called that."""
    text = "body = 3\n" + GOOD.replace("[body]\nwheelbase = 3.4\nmass = 3600\n", "")
    assert refused(tmp_path, text).startswith("body: received 3; expected a table [body]")


def test_file_that_is_not_text_or_not_there(tmp_path):
    """Missing files, folders and other encodings are refused the same way."""
    with pytest.raises(FileError, match="does not exist"):
        Vehicle.load(tmp_path / "none.toml")
    with pytest.raises(FileError, match="is a folder"):
        Vehicle.load(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b"# \xb5\n")
    with pytest.raises(FileError, match="not UTF-8"):
        Vehicle.load(tmp_path / "latin.toml")


def test_failed_save_leaves_what_was_there(tmp_path):
    """A file that cannot be written is said so and nothing is left behind."""
    with pytest.raises(FileError):
        SHUTTLE.save(tmp_path / "no folder" / "vehicle.toml")
    assert list(tmp_path.iterdir()) == []


def test_model_follows_from_what_is_known():
    """Mass, centre of gravity and both axles make a single-track vehicle; the file may say otherwise."""
    assert SHUTTLE.model_code == SINGLE_TRACK
    assert SHUTTLE.replace(**{"body.model": "kinematic"}).model_name == "kinematic"
    assert SHUTTLE.replace(**{"body.mass": None}).model_name == "kinematic"
    # Where it is not known, the yaw inertia is m a b.
    assert SHUTTLE.plant.yaw_inertia == pytest.approx(3600.0 * 1.9 * 1.5, rel=1e-15)


def test_plant_and_dead_times_are_floats():
    """Whole numbers in a file do not reach compiled code as integers, which would compile it anew."""
    assert {type(v) for v in (*SHUTTLE.plant, *SHUTTLE.dead_times, *SHUTTLE.response.values)} == {float}


def test_replace_checks_every_rule():
    """Another value is taken by dotted name, a wrong name or value is refused, and the original stays."""
    other = SHUTTLE.replace(**{"steering.dead_time": 0.2, "provenance": Provenance(name="b")})
    assert (other.steering.dead_time, other.provenance.name) == (0.2, "b")
    assert other.dead_times.steering == 0.2
    assert SHUTTLE.steering.dead_time == 0.1 + 0.2
    with pytest.raises(InputError, match=r"'steering\.sag' is no value of a vehicle"):
        SHUTTLE.replace(**{"steering.sag": 0.2})
    with pytest.raises(ValidationError):
        SHUTTLE.replace(**{"body.wheelbase": -1.0})


def test_static_map_is_inverted():
    """The number for an angle gives that angle back, the ends hold, and other interfaces take none."""
    assert SHUTTLE.steering_number(0.1) == 0.25
    assert SHUTTLE.steering_number(0.055) == pytest.approx(0.125, rel=1e-12)
    assert SHUTTLE.steering_number(2.0) == 1.0
    plain = SHUTTLE.replace(
        **{"steering.interface": "angle", "steering.map_command": (), "steering.map_angle": ()}
    )
    with pytest.raises(InputError, match='the steering takes interface "angle"'):
        plain.steering_number(0.1)


def test_vehicle_travels_between_processes():
    """A vehicle survives pickling, which parallel work relies on."""
    assert pickle.loads(pickle.dumps(SHUTTLE)) == SHUTTLE


def test_steering_of_first_order_round_trip(tmp_path):
    """A lag stands in place of frequency and damping; a file that gives both is refused."""
    first = SHUTTLE.replace(**{"steering.lag": 0.12})
    first.save(tmp_path / "first.toml")
    text = (tmp_path / "first.toml").read_text()
    loaded = Vehicle.load(tmp_path / "first.toml")
    assert loaded.plant._replace(natural_frequency=0.0, damping=0.0) == first.plant._replace(
        natural_frequency=0.0, damping=0.0
    )
    assert loaded.response == first.response
    (tmp_path / "both.toml").write_text(text.replace("[steering]", "[steering]\ndamping = 0.7"))
    with pytest.raises(FileError, match=r"both\.toml: steering: lag is given as well as damping"):
        Vehicle.load(tmp_path / "both.toml")


def test_static_map_bounds_the_steering():
    """No number steers beyond the ends of the map, so laws ask for no more than the nearer one gives."""
    table = {"interface": "number", "map_command": [-1.0, 0.0, 1.0], "map_angle": [-0.35, 0.0, 0.31]}
    car = Vehicle.model_validate({"body": {"wheelbase": 0.17}, "steering": table, "drive": {}})
    assert (car.plant.angle_limit, car.response.angle_limit) == (0.6, 0.31)
    table["map_angle"] = [0.1, 0.2, 0.31]
    with pytest.raises(ValidationError, match="angles to both sides of straight ahead"):
        Vehicle.model_validate({"body": {"wheelbase": 0.17}, "steering": table, "drive": {}})
