"""MDF and MCAP files written by the libraries of these formats, read back the same."""

from __future__ import annotations

import json
import sys

import numpy as np
import pandas as pd
import pytest
from logs_made import COUNT, SPEED, TIME, TURN, check_known, frame, read

from tracks.errors import FileError

asammdf = pytest.importorskip("asammdf")
mcap_writer = pytest.importorskip("mcap.writer")
ros2_writer = pytest.importorskip("mcap_ros2.writer")

START = 1_777_888_999_000_000_000  # ns


def write_mdf(path, groups, version="4.10", start=None):
    """An MDF file of groups: name -> signals."""
    with asammdf.MDF(version=version) as mdf:
        if start is not None:
            mdf.header.start_time = start
        for name, signals in groups.items():
            mdf.append(signals, acq_name=name)
        saved = mdf.save(path.with_suffix(".part"), overwrite=True)  # the library chooses its own suffix
    return saved.rename(path)


def signal(name, values, unit, time=TIME, **more):
    """A signal of asammdf."""
    return asammdf.Signal(np.asarray(values), time, name=name, unit=unit, **more)


@pytest.mark.parametrize(("version", "suffix"), [("4.10", "mf4"), ("4.10", "mdf"), ("3.30", "dat")])
def test_mdf_gives_units_and_clock(tmp_path, version, suffix):
    """Versions 3 and 4: no [time] and no unit are needed; one that contradicts the file is refused."""
    path = write_mdf(
        tmp_path / f"a.{suffix}",
        {"bus": [signal("v", SPEED, "km/h"), signal("w", TURN, "deg/s"), signal("other", TIME, "V")]},
        version,
    )
    bare = {"time": None, "speed": {"column": "v"}, "yaw_rate": {"column": "w"}}
    log = read(path, **bare)
    check_known(log)
    assert log.findings == ()
    check_known(read(path))
    with pytest.raises(FileError, match=r"is in 'km/h', but the channel file gives speed the unit 'm/s'"):
        read(path, **{**bare, "speed": {"column": "v", "unit": "m/s"}})
    with pytest.raises(
        FileError, match=r"column 'vv'.*'bus/v'" if version[0] == "4" else r"column 'vv'.*/v'"
    ):
        read(path, **{**bare, "speed": {"column": "vv"}})


def test_mdf_conversions_and_invalid_readings(tmp_path):
    """A linear conversion is applied; what the file marks as invalid is missing, not a number."""
    bad = np.arange(COUNT) == 7
    raw = np.round((SPEED - 30.0) * 4.0).astype("u2")
    path = write_mdf(
        tmp_path / "a.mf4",
        {
            "bus": [
                signal("v", raw, "km/h", conversion={"a": 0.25, "b": 30.0}),
                signal("w", TURN, "deg/s", invalidation_bits=bad),
            ]
        },
    )
    log = read(path, time=None)
    np.testing.assert_allclose(log["speed"], SPEED / 3.6, rtol=1e-12)
    np.testing.assert_array_equal(log.fresh["yaw_rate"], ~bad)
    assert log["yaw_rate"][7] == log["yaw_rate"][6]


def test_mdf_groups_keep_their_rates(tmp_path):
    """Two groups with one channel name: group/channel, or its number, tells them apart; each at its own stamps."""
    slow = TIME[::4] + 0.003
    path = write_mdf(
        tmp_path / "a.mf4",
        {
            "wheels": [signal("v", SPEED, "km/h")],
            "gnss": [signal("v", 10.0 + slow, "m/s", slow), signal("w", 5.0 * slow, "°/s", slow)],
        },
    )
    log = read(path, time=None, speed={"column": "wheels/v"}, yaw_rate={"column": "w"})
    taken = log.fresh["yaw_rate"]
    np.testing.assert_allclose(log["yaw_rate"][taken], np.radians(5.0 * slow), rtol=1e-12)
    np.testing.assert_allclose((log["time"] + log["time"][taken][0])[taken], slow - 0.003, atol=1e-9)
    assert log.read_at("speed").sum() + taken.sum() == len(log)
    np.testing.assert_allclose(
        read(path, time=None, speed={"column": "1/v"}, yaw_rate=None)["speed"], 10.0 + slow, rtol=1e-12
    )
    with pytest.raises(FileError, match=r"is not the only one for speed: a.mf4: wheels/v, a.mf4: gnss/v"):
        read(path, time=None, speed={"column": "v"}, yaw_rate=None)


def test_mdf_files_are_joined_by_their_start(tmp_path):
    """The header's moment of start puts two files, and one with dates, on one clock."""
    start = pd.Timestamp("2026-05-04T10:00:00", tz="UTC").to_pydatetime()
    later = pd.Timestamp("2026-05-04T10:00:00.1", tz="UTC").to_pydatetime()
    one = write_mdf(tmp_path / "a.mf4", {"a": [signal("v", SPEED, "km/h")]}, start=start)
    two = write_mdf(tmp_path / "b.mf4", {"b": [signal("w", TURN, "deg/s", TIME - 0.1 + 0.2)]}, start=later)
    log = read([one, two], time=None)
    np.testing.assert_allclose(log["yaw_rate"], np.radians(TURN[: len(log)]))
    np.testing.assert_allclose(log["speed"], SPEED[20 : 20 + len(log)] / 3.6)
    moments = pd.Timestamp("2026-05-04T10:00:00") + pd.to_timedelta(TIME, unit="s")
    frame(d=moments).to_csv(tmp_path / "c.csv", index=False)
    check_known(read([one, tmp_path / "c.csv"], time={"column": "d"}, speed={"column": "v", "file": "a.mf4"}))


def test_text_in_mdf_is_refused_by_place(tmp_path):
    """A channel of text is no reading."""
    path = write_mdf(
        tmp_path / "a.mf4", {"a": [signal("v", np.array([b"fast"] * COUNT), "", encoding="latin-1")]}
    )
    with pytest.raises(FileError, match=r"group a, reading 1, column 'a/v': received 'fast'"):
        read(path, time=None, yaw_rate=None, speed={"column": "v", "unit": "m/s"})


def write_json_mcap(path, topics):
    """An MCAP file of JSON messages: topic -> (log times in s, messages)."""
    with path.open("wb") as stream:
        writer = mcap_writer.Writer(stream)
        writer.start()
        for topic, (times, messages) in topics.items():
            schema = writer.register_schema(topic, "jsonschema", b'{"type": "object"}')
            channel = writer.register_channel(topic, "json", schema)
            for time, message in zip(times, messages, strict=True):
                at = START + round(time * 1e9)
                writer.add_message(channel, at, json.dumps(message).encode(), at - 5_000_000)
        writer.finish()
    return path


MCAP = {
    "time": None,
    "speed": {"column": "/vehicle/status.speed.value", "unit": "km/h"},
    "yaw_rate": {"column": "/imu.w.2", "unit": "deg/s"},
}


def test_mcap_json_fields_by_dotted_names(tmp_path):
    """Nested fields and entries of lists; each topic with its own stamps; the recorder's clock unless another is named."""
    path = write_json_mcap(
        tmp_path / "a.mcap",
        {
            "/vehicle/status": (TIME, [{"speed": {"value": v, "ok": True}, "name": "x"} for v in SPEED]),
            "/imu": (
                TIME + 0.004,
                [
                    {"header": {"stamp": {"sec": START // 10**9, "nanosec": round(t * 1e9)}}, "w": [0, 0, w]}
                    for t, w in zip(TIME, TURN, strict=True)
                ],
            ),
        },
    )
    log = read(path, **MCAP)
    assert log.start == pytest.approx(START / 1e9 + 0.004, abs=1e-6)
    np.testing.assert_allclose(log["yaw_rate"][log.fresh["yaw_rate"]], np.radians(TURN[:-1]), atol=1e-15)
    check_known(read(path, **{**MCAP, "yaw_rate": {**MCAP["yaw_rate"], "time": "header.stamp"}}))
    sent = read(path, **{k: v | {"time": "publish_time"} if v else v for k, v in MCAP.items()})
    np.testing.assert_allclose(np.diff(sent["time"]), np.diff(log["time"]), atol=1e-12)
    for column, part in (
        ("/vehicle/status.sped.value", r"did you mean '/vehicle/status.speed.value'\?"),
        ("/status.speed", r"'/vehicle/status....'"),
    ):
        with pytest.raises(FileError, match=part):
            read(path, **{**MCAP, "speed": {"column": column, "unit": "m/s"}})
    with pytest.raises(FileError, match=r"message 1 of /vehicle/status, column .*: received 'x'"):
        read(path, **{**MCAP, "speed": {"column": "/vehicle/status.name", "unit": "m/s"}})


def test_mcap_fields_that_are_missing_are_missing_readings(tmp_path):
    """JSON null, or no field in some messages."""
    messages = [{"speed": {"value": v}, "w": w} for v, w in zip(SPEED, TURN, strict=True)]
    messages[3]["w"] = None
    del messages[5]["w"]
    path = write_json_mcap(tmp_path / "a.mcap", {"/vehicle/status": (TIME, messages)})
    log = read(path, **{**MCAP, "yaw_rate": {"column": "/vehicle/status.w", "unit": "deg/s"}})
    np.testing.assert_array_equal(np.flatnonzero(~log.fresh["yaw_rate"]), [3, 5])


ROS2 = """\
Header header
Twist twist
float64[3] wheels
string note
================
MSG: std_msgs/Header
builtin_interfaces/Time stamp
string frame_id
================
MSG: builtin_interfaces/Time
int32 sec
uint32 nanosec
================
MSG: invented/Twist
float64 x
float32 z
"""


def test_mcap_ros2_messages(tmp_path):
    """CDR messages by their definition in the file: nested fields, arrays and the stamp of the header."""
    with (tmp_path / "a.mcap").open("wb") as stream:
        writer = ros2_writer.Writer(stream)
        text = ROS2.replace("Header header", "std_msgs/Header header").replace(
            "Twist twist", "invented/Twist twist"
        )
        schema = writer.register_msgdef("invented/Motion", text)
        for i in range(COUNT):
            stamp = {"sec": START // 10**9, "nanosec": round(TIME[i] * 1e9)}
            message = {
                "header": {"stamp": stamp, "frame_id": "base"},
                "twist": {"x": SPEED[i], "z": TURN[i]},
                "wheels": [1.0, SPEED[i], 3.0],
                "note": "",
            }
            at = START + round((TIME[i] + 0.002 * (i % 3)) * 1e9)
            writer.write_message("/motion", schema, message, at, at)
        writer.finish()
    own = {"time": "header.stamp"}
    for column in ("/motion.twist.x", "/motion.wheels.1"):
        check_known(
            read(
                tmp_path / "a.mcap",
                time=None,
                speed={"column": column, "unit": "km/h", **own},
                yaw_rate={"column": "/motion.twist.z", "unit": "deg/s", **own},
            )
        )
    check_known(
        read(
            tmp_path / "a.mcap",
            time={"column": "header.stamp"},
            speed={"column": "/motion.twist.x", "unit": "km/h"},
            yaw_rate={"column": "/motion.twist.z", "unit": "deg/s"},
        )
    )


def test_mcap_messages_in_other_encodings_are_refused(tmp_path):
    """Named with topic and encoding."""
    with (tmp_path / "a.mcap").open("wb") as stream:
        writer = mcap_writer.Writer(stream)
        writer.start()
        schema = writer.register_schema("x", "protobuf", b"")
        channel = writer.register_channel("/vehicle/status", "protobuf", schema)
        writer.add_message(channel, START, b"", START)
        writer.finish()
    with pytest.raises(FileError, match="topic '/vehicle/status': has messages in 'protobuf'"):
        read(tmp_path / "a.mcap", **{**MCAP, "yaw_rate": None})


def test_files_cut_short_are_refused(tmp_path):
    """Half a file, as of a recorder that lost its power, at any byte."""
    whole = write_json_mcap(
        tmp_path / "w.mcap", {"/vehicle/status": (TIME, [{"speed": {"value": v}} for v in SPEED])}
    )
    mdf = write_mdf(tmp_path / "w.mf4", {"bus": [signal("v", SPEED, "km/h")]})
    for source, kind in ((whole, "MCAP"), (mdf, "MDF")):
        data = source.read_bytes()
        for share in (0.02, 0.3, 0.6, 0.9):
            short = tmp_path / f"short{source.suffix}"
            short.write_bytes(data[: int(share * len(data))])
            with pytest.raises(FileError, match=f"is not a readable {kind} file"):
                read(
                    short,
                    **{
                        **MCAP,
                        "yaw_rate": None,
                        "speed": {
                            "column": "v" if kind == "MDF" else "/vehicle/status.speed.value",
                            "unit": "km/h",
                        },
                    },
                )


@pytest.mark.parametrize(
    ("module", "suffix", "extra"), [("asammdf", "mf4", "mdf"), ("mcap.reader", "mcap", "mcap")]
)
def test_a_missing_extra_is_named_with_its_command(tmp_path, monkeypatch, module, suffix, extra):
    """One sentence with the pip command."""
    (tmp_path / f"a.{suffix}").write_bytes(b"any")
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(
        FileError, match=rf"cannot be read without the library .*pip install 'pathtrim\[{extra}\]'"
    ):
        read(tmp_path / f"a.{suffix}")


def test_mcap_without_a_summary_is_read_from_end_to_end(tmp_path):
    """As recorders write it that keep no index."""
    with (tmp_path / "a.mcap").open("wb") as stream:
        writer = mcap_writer.Writer(
            stream, index_types=mcap_writer.IndexType.NONE, use_summary_offsets=False, use_statistics=False,
            repeat_channels=False, repeat_schemas=False,
        )  # fmt: skip
        writer.start()
        schema = writer.register_schema("x", "jsonschema", b"{}")
        channel = writer.register_channel("/vehicle/status", "json", schema)
        for time, speed in zip(TIME, SPEED, strict=True):
            at = START + round(time * 1e9)
            writer.add_message(channel, at, json.dumps({"speed": {"value": speed}}).encode(), at)
        writer.finish()
    log = read(tmp_path / "a.mcap", **{**MCAP, "yaw_rate": None})
    np.testing.assert_allclose(log["speed"], SPEED / 3.6)


def test_an_mdf_group_over_an_angle_has_no_clock(tmp_path):
    """The master of a group may be an angle: its rows are no moments."""
    with asammdf.MDF(version="4.10") as mdf:
        mdf.append([signal("v", SPEED, "km/h")])
        mdf.groups[0].channels[mdf.masters_db[0]].sync_type = 2
        saved = mdf.save(tmp_path / "a.mf4", overwrite=True)
    with pytest.raises(FileError, match="has no clock of its own"):
        read(saved, time=None, yaw_rate=None)
