"""Parameter files: the identical law comes back, and anything else is refused with place and remedy."""

from __future__ import annotations

import json

import jsonschema
import pytest
from pydantic import Field

import tracker
from tracker import LAWS, Envelope, Gain, Law, Response
from tracker.parameters import CAUTIONS, document, load, save, schema
from tracks.errors import FileError, InputError

RESPONSE = Response(wheelbase=3.7, dead_time=0.12, lag=1.0 / 7.0, width=2.1)
ENVELOPE = Envelope(lateral_acceleration=1.5, curvature=0.15)


class OwnLaw(Law):
    """A law of a user's own."""

    weight: float = Field(0.1 + 0.2, gt=0, description="1/m")
    table: tuple[float, ...] = (1.0, 2.0)
    mode: str = "soft"

    @classmethod
    def search_space(cls, response: Response) -> dict[str, Gain]:
        return {"weight": Gain(0.1, 1.0, True, "1/m", "weight")}


def written(tmp_path, **changes):
    """Write a good file with changes on its top level, or in a table by dotted name; give its path."""
    content = document(tracker.PurePursuit(response=RESPONSE, envelope=ENVELOPE))
    for name, value in changes.items():
        *tables, key = name.split("__")
        place = content
        for table in tables:
            place = place[table]
        if value is ...:
            del place[key]
        else:
            place[key] = value
    file = tmp_path / "parameters.json"
    file.write_text(json.dumps(content))
    return file


@pytest.mark.parametrize("name", sorted(LAWS))
@pytest.mark.parametrize(
    "carried", [{}, {"response": RESPONSE}, {"response": RESPONSE, "envelope": ENVELOPE}]
)
def test_the_identical_law_comes_back(name, carried, tmp_path):
    """Every law, with and without vehicle and envelope, is equal after a round trip, to the last bit."""
    law = LAWS[name](**carried)
    save(law, tmp_path / "p.json")
    back = load(tmp_path / "p.json")
    assert back == law
    assert type(back) is LAWS[name]
    assert back.gains == law.gains


def test_a_vehicle_fills_in_for_the_response_that_a_law_lacks(tmp_path):
    """The response of the vehicle is saved where the law carries none, and does not replace one."""

    class Bus:
        response = Response(wheelbase=6.0)

    save(tracker.Stanley(), tmp_path / "a.json", vehicle=Bus())
    save(tracker.Stanley(response=RESPONSE), tmp_path / "b.json", vehicle=Bus())
    assert load(tmp_path / "a.json").response == Bus.response
    assert load(tmp_path / "b.json").response == RESPONSE


def test_a_law_of_ones_own_comes_back_when_named(tmp_path):
    """`laws` names classes beside those of pathtrim; tuples and text are gains as well."""
    law = OwnLaw(response=RESPONSE, table=(3.0, 4.5, 6.0))
    save(law, tmp_path / "p.json")
    assert load(tmp_path / "p.json", laws={"OwnLaw": OwnLaw}) == law
    with pytest.raises(FileError, match=r'"OwnLaw" is unknown.*PurePursuit.*laws='):
        load(tmp_path / "p.json")


def test_every_file_carries_the_cautions(tmp_path):
    """Closed course, trained driver, stop device, local codes: in every file, before those of the caller."""
    text = " ".join(document(tracker.Stanley(), cautions=["Half loaded."])["cautions"])
    assert text == " ".join([*CAUTIONS, "Half loaded."])
    for word in ("closed course", "trained safety driver", "stop device", "Local codes"):
        assert word in text


@pytest.mark.parametrize("name", sorted(LAWS))
def test_files_meet_their_schema(name):
    """What is written validates against the schema, which itself is one of draft 2020-12."""
    rules = schema()
    jsonschema.Draft202012Validator.check_schema(rules)
    validator = jsonschema.Draft202012Validator(rules)
    for law in (LAWS[name](), LAWS[name](response=RESPONSE, envelope=ENVELOPE)):
        validator.validate(document(law, provenance={"study": {"seed": 1}}))


@pytest.mark.parametrize(
    "changes",
    [
        {"version": 2},
        {"law": "Ouija"},
        {"gains": {}},
        {"gains__lookahead_time": -1.0},
        {"gains__lookahead_time": "1.5"},
        {"gains__gain": 1.0},
        {"response__wheelbase": ...},
        {"note": "hello"},
    ],
)
def test_the_schema_refuses_what_the_reader_refuses(changes, tmp_path):
    """Schema and reader agree on files that are wrong in one place."""
    file = written(tmp_path, **changes)
    with pytest.raises(FileError):
        load(file)
    errors = list(jsonschema.Draft202012Validator(schema()).iter_errors(json.loads(file.read_text())))
    assert errors


def test_the_schema_knows_a_law_of_ones_own():
    """Gains of a user's law are checked too, once the class is named."""
    validator = jsonschema.Draft202012Validator(schema({"OwnLaw": OwnLaw}))
    content = document(OwnLaw())
    validator.validate(content)
    content["gains"]["weight"] = 0.0
    assert list(validator.iter_errors(content))


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"format": "other"}, "format"),
        ({"version": 2}, "version"),
        ({"version": "1"}, "version"),
        ({"version": True}, "version"),
        ({"law": "purepursuit"}, "law"),
        ({"law": 3}, "law"),
        ({"gains": []}, "gains"),
        ({"gains__lookahead_time": ...}, "gains.lookahead_time"),
        ({"gains__lookahead_time": -1.0}, "gains.lookahead_time"),
        ({"gains__lookahead_time": "1.5"}, "gains.lookahead_time"),
        ({"gains__lookahead_time": True}, "gains.lookahead_time"),
        ({"gains__lookahead_time": None}, "gains.lookahead_time"),
        ({"gains__softening": 1.0}, "gains.softening"),
        ({"gains__response": None}, "gains.response"),
        ({"gains__longest_lookahead": 1.0}, "gains"),
        ({"response__lag": ...}, "response.lag"),
        ({"response__lag": -0.1}, "response.lag"),
        ({"response__mass": "heavy"}, "response.mass"),
        ({"response__colour": "blue"}, "response.colour"),
        ({"envelope__curvature": 0.0}, "envelope.curvature"),
        ({"envelope__deceleration": ...}, "envelope.deceleration"),
        ({"cautions": ...}, "cautions"),
        ({"cautions": "none"}, "cautions"),
        ({"provenance": None}, "provenance"),
        ({"extra": 1}, "extra"),
    ],
)
def test_a_wrong_value_is_refused_by_name(changes, where, tmp_path):
    """The message names the file and the field, and says what to do."""
    file = written(tmp_path, **changes)
    with pytest.raises(FileError) as caught:
        load(file)
    assert (caught.value.file, caught.value.where) == (str(file), where)
    assert caught.value.what
    assert caught.value.remedy or caught.value.expected or "below" in caught.value.what


@pytest.mark.parametrize(
    ("text", "where", "what"),
    [
        ("", "line 1, column 1", "is not JSON"),
        ('{"format": \n  oops}', "line 2, column 3", "is not JSON"),
        ('{"format": NaN}', "", "holds NaN"),
        ('{"format": -Infinity}', "", "holds -Infinity"),
        ('{"law": "A", "law": "B"}', "law", "stands twice"),
        ("[1, 2]", "format", "received 'list'"),
        ("null", "format", "received 'NoneType'"),
        ("[" * 100_000, "", "nested too deeply"),
    ],
)
def test_text_that_is_no_parameter_file_is_refused(text, where, what, tmp_path):
    """JSON that cannot be read is refused with line and column, other JSON by its format."""
    file = tmp_path / "p.json"
    file.write_text(text)
    with pytest.raises(FileError) as caught:
        load(file)
    assert caught.value.where == where
    assert what in caught.value.what


def test_a_missing_file_is_named(tmp_path):
    """A file that does not exist is said to be missing."""
    with pytest.raises(FileError, match="does not exist"):
        load(tmp_path / "none.json")


def test_nothing_is_written_when_a_value_is_not_finite(tmp_path):
    """NaN in the provenance is refused, and the file that was there stays."""
    file = tmp_path / "p.json"
    save(tracker.Stanley(), file)
    before = file.read_text()
    with pytest.raises(InputError, match="not finite"):
        save(tracker.PurePursuit(), file, provenance={"score": float("nan")})
    assert file.read_text() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["p.json"]


def test_a_file_can_be_found_again_in_a_larger_one():
    """A study holds the parameters of its best law; complaints then name where."""
    content = document(tracker.Stanley())
    del content["gains"]["gain"]
    with pytest.raises(FileError) as caught:
        tracker.parameters.law_from(content, "study.json", prefix="parameters")
    assert caught.value.where == "parameters.gains.gain"
