"""Track files: round trips, tables of other makers, real circuits, and every fault named with its place."""

from __future__ import annotations

from pathlib import Path as FilePath

import numpy as np
import pytest

import tracks
from tracks import Arc, Corridor, FileError, InputError, Path, Section, Straight, Track


def assert_same(track: Track, other: Track) -> None:
    """Hold two tracks to each other to the last digit."""
    for mine, its in zip(track.path.arrays, other.path.arrays, strict=True):
        np.testing.assert_allclose(mine, its, rtol=0.0, atol=1e-9)
    np.testing.assert_array_equal(track.speed, other.speed)
    assert (track.corridor is None) == (other.corridor is None)
    if track.corridor is not None and other.corridor is not None:
        np.testing.assert_array_equal(track.corridor.left, other.corridor.left)
        np.testing.assert_array_equal(track.corridor.right, other.corridor.right)
    for field in ("name", "sections", "source", "start_offset"):
        assert getattr(track, field) == getattr(other, field)
    assert track.path.closed == other.path.closed
    assert track.path.deviation == other.path.deviation


@pytest.mark.parametrize("name", tracks.COURSES)
def test_every_course_comes_back_the_same(name: str, tmp_path: FilePath) -> None:
    """Geometry, speeds, corridor, sections, name, source and start offset survive a file."""
    track = tracks.course(name)
    tracks.save(track, tmp_path / "track.csv")
    assert_same(track, tracks.load(tmp_path / "track.csv"))


def test_odd_tracks_come_back_the_same(tmp_path: FilePath) -> None:
    """Jumps of curvature, one open edge, names with quotes and line ends, and a fitted path survive."""
    path = Path.from_segments([Straight(3.0), Arc(4.0, 0.2), Arc(2.0, -0.1)], start=(5.0e6, 4.0e5, 3.0))
    corridor = Corridor(np.full(path.s.size, np.inf), np.full(path.s.size, 1.2))
    sections = [Section('the "bend",\n# second', 3.0, 7.0, step=-0.1)]
    track = Track("Åse's loop", path, np.full(path.s.size, 2.0), corridor, sections, "drawn", -0.25)
    tracks.save(track, tmp_path / "odd.csv")
    assert_same(track, tracks.load(tmp_path / "odd.csv"))
    fitted = Path.from_points([0, 5, 9, 12], [0, 1, 4, 9])
    track = Track("fitted", fitted, np.full(fitted.s.size, 1.0))
    tracks.save(track, tmp_path / "fitted.csv")
    assert_same(track, tracks.load(tmp_path / "fitted.csv"))


def test_file_starts_with_the_cautions(tmp_path: FilePath) -> None:
    """A track that goes to a vehicle says what comes first."""
    tracks.save(tracks.slalom(), tmp_path / "slalom.csv")
    text = (tmp_path / "slalom.csv").read_text()
    assert "trained safety driver and working stop device first" in text.splitlines()[1]
    assert "s,x,y,heading,curvature,speed,left,right\n" in text


@pytest.mark.parametrize(
    "text",
    [
        "x,y\n0,0\n10,0\n20,0\n30,5\n",
        "# surveyed\n\nX [m];Y [m];altitude\n0;0;12\n10;0;12\n20;0;12\n30;5;12\n",
        "0,0\n10,0\n20,0\n30,5\n",
        "\ufeffx_m\ty_m\n0\t0\n10\t0\n20\t0\n30\t5\n",
        "# x_m,y_m\n0,0\n10,0\n20,0\n30,5\n",
    ],
)
def test_tables_of_points_are_read(text: str, tmp_path: FilePath) -> None:
    """x and y are enough: with other delimiters, units, further columns, a byte-order mark, or no header."""
    file = tmp_path / "survey.csv"
    file.write_text(text, encoding="utf-8")
    track = tracks.load(file)
    assert (track.name, track.source, track.corridor) == ("survey", "file survey.csv", None)
    assert not track.path.closed
    for x, y in [(0, 0), (10, 0), (20, 0), (30, 5)]:
        assert abs(track.path.locate(x, y)[1]) < 1e-6
    assert track.speed[-1] == 0.0


def test_widths_and_speeds_of_points_are_carried_over(tmp_path: FilePath) -> None:
    """Edges stay where they are although smoothing moves the path off the points; a loop is seen to be one."""
    generator = np.random.default_rng(5)
    angle = np.linspace(0.0, 2.0 * np.pi, 200, endpoint=False)
    radius = 40.0 + generator.normal(0.0, 0.05, 200)
    table = np.stack(
        [radius * np.cos(angle), radius * np.sin(angle), radius - 37.0, 42.0 - radius, 3 + 0 * angle], axis=1
    )
    np.savetxt(tmp_path / "ring.csv", table, delimiter=",", header="x,y,left,right,speed", comments="")
    track = tracks.load(tmp_path / "ring.csv")
    assert track.path.closed
    assert track.corridor is not None
    np.testing.assert_allclose(np.hypot(track.path.x, track.path.y) - track.corridor.left, 37.0, atol=5e-3)
    np.testing.assert_allclose(np.hypot(track.path.x, track.path.y) + track.corridor.right, 42.0, atol=5e-3)
    np.testing.assert_allclose(track.speed, 3.0)
    assert not tracks.load(tmp_path / "ring.csv", closed=False).path.closed


def test_real_circuits_load(shared_data: FilePath) -> None:
    """Closed centre lines 5 m apart with widths become closed tracks with bends that a car can drive."""
    files = sorted((shared_data / "circuits").glob("*.csv"))
    assert files
    for file in files:
        track = tracks.load(file)
        points = np.loadtxt(file, delimiter=",")
        chords = np.hypot(*np.diff(points[:, :2], axis=0, append=points[:1, :2]).T)
        assert track.path.closed
        # The arc over a chord c of radius R is longer by c³/(24 R²): 0.3 % at 5 m and 10 m radius, less elsewhere.
        assert 0.0 < track.path.length / np.sum(chords) - 1.0 < 0.003
        assert track.path.deviation < 0.1
        assert track.path.smallest_radius > 6.0
        assert track.corridor is not None
        assert abs(track.corridor.left.mean() - points[:, 3].mean()) < 0.05
        assert abs(track.corridor.right.mean() - points[:, 2].mean()) < 0.05


def test_a_file_can_be_scaled_and_replanned(tmp_path: FilePath) -> None:
    """`course` takes a file, scales it, and plans its speeds afresh when asked to."""
    tracks.save(tracks.campus_loop(), tmp_path / "loop.csv")
    kept = tracks.course(tmp_path / "loop.csv", scale=0.1)
    np.testing.assert_allclose(kept.speed, tracks.campus_loop(scale=0.1).speed, atol=1e-9)
    assert tracks.course(str(tmp_path / "loop.csv"), speed=2.0).speed.max() == 2.0
    gentle = tracks.course(tmp_path / "loop.csv", lateral_acceleration=0.6)
    assert gentle.speed.max() == pytest.approx(7.0)
    assert gentle.speed.min() == pytest.approx(np.sqrt(6.0))


OWN = "# pathtrim track 1\n"
STRAIGHT = "s,x,y,heading,curvature,speed\n0,0,0,0,0,1\n1,1,0,0,0,1\n2,2,0,0,0,1\n"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "",
            "track.csv: the file has no rows; expected a header and one row a point; to mend it: export it again",
        ),
        ("# only a comment\n", "track.csv: the file has no rows"),
        ("x,y\n", "track.csv: the file has a header but no rows"),
        ("x,y\n0,0\n", "track.csv: 1 of 1 points are different; expected 2 or more"),
        (
            "x,y\n0,0\n1,zero\n",
            "track.csv: line 3, column y: holds 'zero'; expected a number; to mend it: correct",
        ),
        ("x,y\n0,0\n\n# note\n1,\n", "track.csv: line 5, column y: holds nothing; expected a number"),
        ("x,y\n0,0\n1\n", "track.csv: line 3: 1 fields; expected 2 \\(x, y\\); to mend it: complete the row"),
        ("x,y\n0,0\n1,nan\n", "track.csv: line 3, column y: is not a number \\(nan\\)"),
        ("x,y\n0,0\ninf,1\n", "track.csv: line 3, column x: is inf; expected a finite number"),
        ("x,z\n0,0\n", "track.csv: column y: is missing; expected columns x and y \\(found: x, z\\)"),
        ("x,y,x\n0,0,0\n", "track.csv: line 1: column 'x' stands twice; expected each column once"),
        ("1,2,3\n2,3,4\n", "track.csv: line 1: 3 columns without names; expected a header line"),
        ("x,y,left\n0,0,1\n1,0,1\n", "track.csv: column right: is missing; expected both left and right"),
        (
            "x,y,left,right\n0,0,1,1\n1,0,0,1\n",
            "track.csv: line 3, column left: is 0; expected a distance above 0 m",
        ),
        ("x,y,speed [km/h]\n0,0,1\n1,0,1\n", "track.csv: column speed: is in km/h; expected values in m/s"),
        ("x,y,speed\n0,0,1\n1,0,-1\n", "track.csv: line 3, column speed: is -1; expected 0 m/s or more"),
        (
            OWN + STRAIGHT.replace("speed", "sped"),
            "track.csv: column sped: is unknown; expected one of s, x, y",
        ),
        (OWN + "# closed: yes\n" + STRAIGHT, "track.csv: line 2, closed: holds yes; expected a JSON value"),
        (OWN + "# closed: 1\n" + STRAIGHT, "track.csv: line 2, closed: holds 1; expected a value like false"),
        (
            OWN + "# start_offset: NaN\n" + STRAIGHT,
            "track.csv: start_offset is nan; expected a finite number",
        ),
        (
            OWN + '# section: {"name": "a"}\n' + STRAIGHT,
            "track.csv: line 2, section: has the fields name; expected name",
        ),
        (
            OWN + '# section: {"name": "a", "start": 1, "end": 0}\n' + STRAIGHT,
            "track.csv: line 2, section: section 'a' runs from 1 m to 0 m",
        ),
        (
            OWN + '# section: {"name": "a", "start": 1, "end": 3}\n' + STRAIGHT,
            "track.csv: section 'a' ends at 3 m; expected an end within the track's 2 m",
        ),
        (OWN + "# closed: true\n" + STRAIGHT, "track.csv: the closed path ends 2 m and 0° off its start"),
        (
            OWN + STRAIGHT.replace("1,1,0", "1,1.5,0"),
            "track.csv: nodes 0 and 1 \\(s = 0 m\\) do not fit heading",
        ),
        (
            OWN + STRAIGHT.replace("2,2,0", "1,2,0"),
            "track.csv: s\\[2\\] is 1 m after 1 m; expected s that rises",
        ),
        (
            OWN + STRAIGHT.replace("1,1,0,0,0,1", "1,1,0,0,0,0"),
            "track.csv: the planned speed at s = 1 m is 0 m/s; expected speeds above 0",
        ),
    ],
)
def test_malformed_files_are_refused_in_words(text: str, sentence: str, tmp_path: FilePath) -> None:
    """Every fault of a track file names file, line or column, what was expected, and the remedy."""
    file = tmp_path / "track.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(FileError, match=sentence) as caught:
        tracks.load(file)
    assert caught.value.expected
    assert caught.value.remedy
    assert caught.value.file == str(file)


def test_missing_and_unreadable_files_are_refused(tmp_path: FilePath) -> None:
    """No file, a folder, bytes that are no text, and unknown suffixes have sentences of their own."""
    with pytest.raises(FileError, match=r"none.csv: the file does not exist; expected a track file"):
        tracks.load(tmp_path / "none.csv")
    (tmp_path / "folder.csv").mkdir()
    with pytest.raises(FileError, match=r"folder.csv: is a folder"):
        tracks.load(tmp_path / "folder.csv")
    (tmp_path / "binary.csv").write_bytes(b"x,y\n\xff\xfe\n")
    with pytest.raises(FileError, match=r"binary.csv: byte 4: is not UTF-8 text"):
        tracks.load(tmp_path / "binary.csv")
    with pytest.raises(FileError, match=r"track.dwg: files .dwg cannot be read; expected .csv"):
        tracks.load(tmp_path / "track.dwg")
    with pytest.raises(InputError, match=r"there is no course 'loop'"):
        tracks.course("loop")


def test_a_failed_write_leaves_everything_as_it_was(tmp_path: FilePath) -> None:
    """A missing folder or an unknown suffix writes nothing; a write over a file leaves no other file."""
    track = tracks.slalom()
    with pytest.raises(FileError, match=r"cannot be written \(No such file or directory\)"):
        tracks.save(track, tmp_path / "missing" / "track.csv")
    with pytest.raises(FileError, match=r"files .txt cannot be written; expected .csv"):
        tracks.save(track, tmp_path / "track.txt")
    assert list(tmp_path.iterdir()) == []
    tracks.save(track, tmp_path / "track.csv")
    tracks.save(track, tmp_path / "track.csv")
    assert [file.name for file in tmp_path.iterdir()] == ["track.csv"]
