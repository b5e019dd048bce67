"""From words on the command line to laws, tracks, limits and folders; each refuses what it cannot use."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from tracks.errors import FileError, InputError

if TYPE_CHECKING:
    from tracker import Law
    from tracks import Track
    from tuning import Limits

__all__ = [
    "known_values",
    "law_kind",
    "law_or_file",
    "limits_from",
    "model_name",
    "named_laws",
    "output_file",
    "output_folder",
    "tracks_from",
]


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
        label = law.name if kinds.count(law.name) == 1 else f"{law.name} ({word})"
        if label in named:
            raise InputError(f"{word!r} is given twice", "each law once", "remove one of the two")
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
        known[name.strip()] = _value(value)
    return known


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


def output_file(path: Path) -> Path:
    """Check, before any work, that a file can be written where it shall be: its folder exists."""
    if path.is_dir():
        raise FileError(path, "", "is a folder", "the name of a file", "add a file name to --out")
    if not path.parent.is_dir():
        raise FileError(
            path.parent, "", "there is no such folder", "an existing folder", "make it, or change --out"
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
