"""From words on the command line to laws, tracks, limits and folders; each refuses what it cannot use."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from tracks.errors import FileError, InputError

if TYPE_CHECKING:
    from tracker import Law
    from tracks import Track
    from tuning import Limits, Scenario, Vehicle

__all__ = [
    "REPORT_MARK",
    "VEHICLE_MARK",
    "caution_on_fit",
    "drive_files",
    "keep_others",
    "known_values",
    "law_kind",
    "law_or_file",
    "limits_from",
    "model_name",
    "named_laws",
    "output_file",
    "output_folder",
    "prior_values",
    "scenarios_from",
    "tracks_from",
]

# What the files that pathtrim writes have near their beginning, and files of others have not.
VEHICLE_MARK = "# Vehicle file of pathtrim"
REPORT_MARK = '<meta name="generator" content="pathtrim">'

_HEAD = 100_000  # characters of a file in which its mark is looked for

# A fit below this is no better than half way from a constant to the measured signal (common practice, no source).
_POOR_FIT = 50.0


def _key(name: str) -> str:
    return name.lower().replace("-", "").replace("_", "")


def law_kind(name: str) -> type[Law]:
    """Give the law of a name; "PurePursuit", "pure-pursuit" and "purepursuit" are the same."""
    from tracker import LAWS

    for known, kind in LAWS.items():
        if _key(known) == _key(name):
            return kind
    raise InputError(f"there is no law {name!r}", f"one of {', '.join(LAWS)}", "correct the name of the law")


def law_or_file(word: str) -> Law:
    """Give the law of a parameter file or of a study's folder, or a law by name with its default gains."""
    import tracker
    import tracks
    from tuning import Study

    path = Path(word)
    if path.suffix.lower() == ".json" or path.is_file():
        return tracker.load(path)
    if (path / "study.json").is_file():
        return Study.load(path).best
    known = {_key(name): kind for name, kind in tracker.LAWS.items()}
    if _key(word) in known:
        return known[_key(word)].model_validate({})
    if word in tracks.COURSES or path.suffix.lower() == ".csv":
        raise InputError(
            f"{word!r} is a track, not a law",
            "a law or a parameter file",
            f"write --track {word} for each track",
        )
    raise InputError(
        f"{word!r} is neither a law nor a file",
        f"one of {', '.join(tracker.LAWS)}, a parameter file that `export` wrote, or a study's folder that `tune` wrote",
        "correct the name",
    )


def named_laws(words: Sequence[str]) -> dict[str, Law]:
    """Give the laws of words on the command line by names that tell them apart: kind, else kind and word."""
    laws = [(word, law_or_file(word)) for word in words]
    kinds = [law.name for _, law in laws]
    named: dict[str, Law] = {}
    for word, law in laws:
        alone = kinds.count(law.name) == 1 or _key(word) == _key(law.name)
        label = law.name if alone else f"{law.name} ({word})"
        if label in named:
            raise InputError(f"{label} is given twice", "each law once", "remove one of the two")
        named[label] = law
    return named


def tracks_from(names: Sequence[str], speed: float | None, scale: float) -> list[Track]:
    """Give the tracks of these names: courses or track files."""
    import tracks

    return [tracks.course(name, speed=speed, scale=scale) for name in names]


def limits_from(word: str | None) -> Limits:
    """Give the default limits, the gentle ones, or those of a limits file."""
    from tuning import Limits

    if word is None or word == "default":
        return Limits()
    return Limits.gentle() if word == "gentle" else Limits.load(word)


def scenarios_from(
    file: Path | None, roads: Sequence[Track], vehicle: Vehicle
) -> tuple[Scenario, ...] | None:
    """Give the scenarios of a file, each such as the vehicle can meet; None without a file, for those by default."""
    if file is None:
        return None
    from tuning import read_scenarios
    from tuning.search.scenarios import checked

    found = read_scenarios(file)
    try:
        checked(roads, found, vehicle)
    except InputError as error:
        raise FileError(file, "", error.what, error.expected, error.remedy) from None
    return found


def known_values(words: Sequence[str]) -> dict[str, Any]:
    """Read `name=value` words: a number, numbers with commas between them, or text."""
    known: dict[str, Any] = {}
    for word in words:
        name, equals, value = word.partition("=")
        if not equals or not name.strip() or not value.strip():
            raise InputError(
                f"--known received {word!r}",
                "name=value in SI units",
                "write for example --known wheelbase=2.9",
            )
        if name.strip() in known:
            raise InputError(f"--known gives {name.strip()} twice", "each name once", "remove one of the two")
        known[name.strip()] = _value(value)
    return known


def prior_values(words: Sequence[str]) -> dict[str, tuple[float, float]]:
    """Read `name=mean:deviation` words."""
    given: dict[str, tuple[float, float]] = {}
    for word in words:
        name, _, value = word.partition("=")
        mean, colon, deviation = value.partition(":")
        pair = _value(f"{mean},{deviation}") if colon else ""
        if not name.strip() or not isinstance(pair, tuple) or len(pair) != 2:
            raise InputError(
                f"--prior received {word!r}",
                "name=mean:standard deviation, in SI units",
                "write for example --prior wheelbase=2.9:0.05",
            )
        if name.strip() in given:
            raise InputError(f"--prior gives {name.strip()} twice", "each name once", "remove one of the two")
        given[name.strip()] = pair
    return given


def _value(text: str) -> Any:
    parts = text.split(",")
    try:
        numbers = tuple(float(part) for part in parts)
    except ValueError:
        return text.strip()
    return numbers[0] if len(parts) == 1 else numbers


def model_name(word: str) -> Literal["auto", "kinematic", "single-track"]:
    """Give the name of a body model, or "auto"."""
    if word == "auto" or word == "kinematic" or word == "single-track":
        return word
    raise InputError(f"--model received {word!r}", "auto, kinematic or single-track", "name one of these")


def keep_others(files: Mapping[Path, str]) -> None:
    """Refuse, before any work, to overwrite a file that pathtrim did not write.

    Args:
        files: that will be written -> what such a file has near its beginning.
    """
    for file, mark in files.items():
        if not file.is_file():
            continue
        with file.open(encoding="utf-8", errors="replace") as stream:
            ours = mark in stream.read(_HEAD)
        if not ours:
            raise FileError(
                file, "", "exists and was not written by pathtrim", "a name that is free", "change --out"
            )


def caution_on_fit(vehicle: Vehicle, file: Path) -> str:
    """Give a line of caution when a vehicle foretold little of what was held out of its fit; else nothing."""
    poor = [
        f"{name.removesuffix('_fit_percent')} {value:.0f} %"
        for name, value in vehicle.provenance.fit.items()
        if name.endswith("_fit_percent") and not value >= _POOR_FIT
    ]
    return f"pathtrim: caution: {file} foretold its logs poorly (fit: {', '.join(poor)})" if poor else ""


def drive_files(word: str) -> list[Path]:
    """Give the files of one drive: "imu.csv+commands.csv" names two, unless a file bears that whole name."""
    if "+" not in word or Path(word).exists():
        return [Path(word)]
    parts = word.split("+")
    if not all(parts):
        raise InputError(
            f"the log {word!r} has a + without a file beside it",
            "files of one drive joined by +, as imu.csv+commands.csv",
            "name a file on both sides, without blanks, or drop the +",
        )
    return [Path(part) for part in parts]


def output_file(path: Path, inputs: Iterable[Path] = (), report: bool = False) -> Path:
    """Check, before any work, that a file can be written, and destroys neither an input nor another's file.

    Its folder is made only when there is something to write. `report`: a page instead of a vehicle file.
    """
    if path.is_dir():
        raise FileError(path, "", "is a folder", "the name of a file", "add a file name to --out")
    if any(path.resolve() == source.resolve() for source in inputs):
        raise FileError(path, "", "is an input and would be overwritten", "another file", "change --out")
    output_folder(path.parent)
    if report:
        keep_others({path: REPORT_MARK})
    elif path.is_file():
        with path.open(encoding="utf-8", errors="replace") as stream:
            first = stream.readline()
        if not first.startswith(VEHICLE_MARK):
            raise FileError(
                path, "", "exists and is no vehicle file of pathtrim", "a name that is free", "change --out"
            )
    return path


def output_folder(path: Path) -> Path:
    """Check, before any work, that a folder can be written to; it is made only when there is something to write."""
    if path.exists() and not path.is_dir():
        raise FileError(path, "", "is a file", "the name of a folder", "choose another --out")
    parent = path
    while not parent.exists():
        parent = parent.parent
    if not parent.is_dir():
        raise FileError(parent, "", "is a file", "a folder", "choose another --out")
    return path
