"""The score document keeps its contract, for every grade and for nothing at all."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator, ValidationError
from schemas import score_schema
from words import say

from drilltimer.errors import notice
from drilltimer.model import Grade, Health, Heard, Landing, Onset, Placement, Rep, Verdict, Window
from drilltimer.score.document import Piece, RecordingClock, score_document
from drilltimer.score.match import judge
from drilltimer.score.stats import summarize

RATE_HZ = 48_000
VALIDATOR = Draft202012Validator(score_schema())


def onset(time_ms: float) -> Onset:
    return Onset(48_000 + 48 * time_ms, -30.0, 0.4)


def verdict(
    touchdown_ms: float | None, step_ms: float | None = None, *, withheld: bool = False, void: str = ""
) -> Verdict:
    rep = Rep(0, 0.0, 3.0, 1.0, (), "left", Window(73, 133, 193), withheld=withheld)
    landing = None
    if touchdown_ms is not None:
        landing = Landing(onset(touchdown_ms), onset(touchdown_ms + 20), None if step_ms is None else onset(step_ms))
    return judge(Heard(0, onset(0), not withheld, landing, void), rep, Placement(), RATE_HZ)


ONE_OF_EACH = [
    verdict(-20),
    verdict(40),
    verdict(133, 177),
    verdict(400),
    verdict(None),
    verdict(700),
    verdict(100, void="overdriven"),
    verdict(None, withheld=True),
    verdict(120, withheld=True),
    verdict(120, 350, withheld=True),
]


def document(verdicts: list[Verdict], health: Health | None = None) -> dict[str, object]:
    return score_document(
        "session.flac", RecordingClock(1.25, -37.5), verdicts, summarize(verdicts), health or Health(), say
    )


def test_the_schema_is_a_schema() -> None:
    Draft202012Validator.check_schema(score_schema())


def test_one_rep_of_each_grade_meets_the_schema() -> None:
    assert {kept.grade for kept in ONE_OF_EACH} == set(Grade)
    VALIDATOR.validate(document(ONE_OF_EACH))


def test_a_session_without_reps_or_recording_meets_the_schema() -> None:
    empty = score_document(None, RecordingClock(), [], summarize([]), Health(), say)
    VALIDATOR.validate(empty)
    assert empty["clock"] == {"offset_s": None, "skew_ppm": None}


def test_the_schema_names_exactly_what_is_written() -> None:
    written, schema = document(ONE_OF_EACH), score_schema()
    definitions = schema["$defs"]
    assert set(written) == set(schema["required"])
    of_recordings = {"sheet", "pieces", "distance_uncertainty_ms", "more", "made_from"}
    assert set(schema["properties"]) - set(written) == of_recordings
    pairs = [(written["clock"], schema["properties"]["clock"])]
    pairs += [(written[name], definitions[name]) for name in ("scores", "health")]
    pairs += [(rep, definitions["rep"]) for rep in written["reps"]]  # type: ignore[attr-defined]
    for found, described in pairs:
        assert set(found) == set(described["properties"]) == set(described["required"])  # type: ignore[call-overload]


def test_a_recordings_document_tells_sheet_pieces_and_what_else_is_in_it() -> None:
    scores = summarize(ONE_OF_EACH)
    piece = Piece(0, 9, 1.5, 40.25, 1.25, -37.5)
    written = score_document(
        "r.m4a",
        RecordingClock(1.25, -37.5),
        ONE_OF_EACH,
        scores,
        Health(),
        say,
        sheet="a.cues.json",
        pieces=[piece],
        distance_uncertainty_ms=12.3456,
        more=[document(ONE_OF_EACH)],
    )
    VALIDATOR.validate(written)
    assert set(written) == set(score_schema()["properties"]) - {"made_from"}
    (told,) = written["pieces"]
    assert set(told) == set(score_schema()["properties"]["pieces"]["items"]["required"])
    assert (told["first_rep"], told["last_rep"], told["to_s"]) == (0, 9, 40.25)
    assert written["distance_uncertainty_ms"] == 12.346
    with pytest.raises(ValidationError):
        VALIDATOR.validate(written | {"more": [{"schema": 1}]})


def test_the_schema_knows_every_grade() -> None:
    assert score_schema()["$defs"]["rep"]["properties"]["grade"]["enum"] == [grade.value for grade in Grade]


def test_seconds_keep_six_decimals_and_milliseconds_three() -> None:
    kept = replace(verdict(133), touchdown_s=1.23456789, touchdown_ms=133.45678, error_ms=-0.0001)
    rep = document([kept])["reps"][0]  # type: ignore[index]
    assert rep["touchdown_s"] == 1.234568
    assert rep["touchdown_ms"] == 133.457
    assert json.dumps(rep["error_ms"]) == "0.0"  # no minus sign that means nothing


def test_silence_has_no_level_that_json_could_carry() -> None:
    quiet = document([], Health(noise_db=-math.inf, notes=(notice("zeros", seconds=3.0),)))
    VALIDATOR.validate(quiet)
    assert quiet["health"]["noise_db"] is None  # type: ignore[index]
    assert '"notes": ["the microphone gave 3 s of exact zeros: ' in json.dumps(quiet, allow_nan=False)


@pytest.mark.parametrize(
    ("index", "key", "value"),
    [
        (2, "grade", "perfect"),
        (2, "error_ms", None),
        (4, "error_ms", 12.0),
        (6, "touchdown_ms", 133.0),
        (6, "void", ""),
        (0, "void", "but timed"),
        (0, "uncertainty_ms", -1.0),
        (0, "touchdown_s", "1.0"),
    ],
)
def test_the_schema_refuses_what_would_mislead(index: int, key: str, value: object) -> None:
    broken = document(ONE_OF_EACH)
    broken["reps"][index][key] = value  # type: ignore[index]
    with pytest.raises(ValidationError):
        VALIDATOR.validate(broken)


touchdowns_ms = st.none() | st.floats(-300, 1500)


@given(st.lists(st.tuples(touchdowns_ms, st.booleans(), st.sampled_from(["", "a block was lost"])), max_size=6))
def test_whatever_was_heard_the_document_is_valid_json(reps: list[tuple[float | None, bool, str]]) -> None:
    verdicts = [verdict(touchdown_ms, withheld=withheld, void=void) for touchdown_ms, withheld, void in reps]
    VALIDATOR.validate(json.loads(json.dumps(document(verdicts), allow_nan=False)))
