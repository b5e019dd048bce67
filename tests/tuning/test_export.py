"""The hand-over of a law to the vehicle's software."""

from __future__ import annotations

import json

import jsonschema
import pytest
from pydantic import Field

import tracker
import tracks
import tuning
from tracker import Gain, Law, Response
from tracks.errors import FileError
from tuning import Limits, Scenario, Vehicle, export

BUS = Vehicle.model_validate(
    {"body": {"wheelbase": 3.7}, "provenance": {"name": "bus", "assumed": ["drive.brake_lag"]}}
)


class Own(Law):
    """A law of a user's own."""

    weight: float = Field(default=0.1, gt=0, description="1/m²")

    @classmethod
    def search_space(cls, response: Response) -> dict[str, Gain]:
        return {"weight": Gain(0.01, 1.0, True, "1/m²", "curvature per lateral error")}


def words(path):
    """The text of a file with single spaces."""
    return " ".join(path.read_text().split())


def test_three_files_are_written_and_the_law_comes_back(tmp_path):
    """Parameters, their schema and notes; the parameters validate and load to the law with the bus's response."""
    law = tracker.PurePursuit(lookahead_time=1.1)
    files = export(law, tmp_path / "new" / "out", vehicle=BUS)
    assert [file.name for file in files] == ["parameters.json", "parameters.schema.json", "README.txt"]
    assert sorted(files) == sorted((tmp_path / "new" / "out").iterdir())
    content, rules = (json.loads(file.read_text()) for file in files[:2])
    jsonschema.Draft202012Validator(rules).validate(content)
    assert tracker.load(files[0]) == law.model_copy(update={"response": BUS.response})
    assert content["provenance"]["vehicle"] == "bus"


def test_notes_carry_units_signs_and_cautions(tmp_path):
    """Who reads only the notes knows the gains, the axes, and what comes before a first drive."""
    notes = words(export(tracker.Stanley(gain=1.25), tmp_path, vehicle=BUS)[2])
    for text in ("gain = 1.25", "1/s", "ISO 8855", "middle of the rear axle", "closed course", "stop device"):
        assert text in notes
    assert "Not identified but assumed: drive.brake_lag" in notes
    assert "atan(3.7 m · curvature)" in notes


@pytest.mark.parametrize(
    ("steering", "text"),
    [
        ({"interface": "curvature"}, "send the curvature itself"),
        ({"interface": "angle"}, "send the road-wheel angle"),
        (
            {"interface": "number", "map_command": [-1.0, 0.0, 1.0], "map_angle": [-0.3, 0.01, 0.32]},
            "-0.30000 -1.00000 +0.01000 +0.00000 +0.32000 +1.00000",
        ),
    ],
)
def test_notes_say_what_the_interface_takes(steering, text, tmp_path):
    """A curvature, an angle, or a number by the identified map."""
    vehicle = Vehicle.model_validate({"body": {"wheelbase": 3.7}, "steering": steering})
    assert text in words(export(tracker.Stanley(), tmp_path, vehicle=vehicle)[2])


def test_doubts_become_cautions(tmp_path):
    """A limit not kept, another vehicle, or no vehicle at all stand among the cautions of the file."""
    study = tuning.tune(
        tracker.Stanley, BUS, tracks.offset_straight(), Limits(lateral_jerk_r79=0.01), Scenario(), candidates=4,
        refine=0, workers=1, progress=False,
    )  # fmt: skip
    other = BUS.replace(**{"body.wheelbase": 4.0})
    files = export(study.best, tmp_path, vehicle=other, study=study)
    content = json.loads(files[0].read_text())
    cautions = " ".join(content["cautions"])
    assert "did not keep every limit: lateral_jerk_r79" in cautions
    assert "another vehicle" in cautions
    assert content["provenance"]["study"] == study.provenance()
    bare = json.loads(export(tracker.Stanley(), tmp_path)[0].read_text())
    assert "No vehicle is known" in " ".join(bare["cautions"])
    assert bare["response"] is None


def test_a_law_of_ones_own_is_exported_with_its_schema(tmp_path):
    """The schema beside the parameters knows the law that they are of."""
    files = export(Own(weight=0.2), tmp_path, vehicle=BUS)
    content, rules = (json.loads(file.read_text()) for file in files[:2])
    jsonschema.Draft202012Validator(rules).validate(content)
    content["gains"]["weight"] = -1.0
    assert list(jsonschema.Draft202012Validator(rules).iter_errors(content))
    assert tracker.load(files[0], laws={"Own": Own}).gains == {"weight": 0.2}


def test_an_export_over_an_older_one_replaces_it(tmp_path):
    """The files of the older export are replaced, and nothing else is left behind."""
    export(tracker.Stanley(gain=1.0), tmp_path, vehicle=BUS)
    export(tracker.Stanley(gain=2.0), tmp_path, vehicle=BUS)
    assert tracker.load(tmp_path / "parameters.json").gains["gain"] == 2.0
    assert len(list(tmp_path.iterdir())) == 3


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    """A file in the way is left alone."""
    (tmp_path / "taken").write_text("here")
    with pytest.raises(FileError, match="cannot be made"):
        export(tracker.Stanley(), tmp_path / "taken")
    assert (tmp_path / "taken").read_text() == "here"
