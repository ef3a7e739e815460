"""The cue sheet contract: what is written reads back, what is little is enough, what is wrong is named."""

from __future__ import annotations

import contextlib
import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from schemas import sheet_schema

import drilltimer.recordings.cuesheet as module
from drilltimer.errors import SheetError
from drilltimer.model import DISTANCES, INT64, Placement, Window
from drilltimer.recordings.cuesheet import CueSheet, SheetCue, SheetRep, contact_cue, sheet_from_json, sheet_to_json

FULL = CueSheet(
    audio="session.flac",
    rate_hz=48_000,
    reps=(
        SheetRep(
            rep=0,
            start_s=1.0,
            withheld=False,
            call="left",
            cues=(
                SheetCue("precue", "swing", 1.6, length_s=0.4),
                SheetCue("contact", "smack", 2.0, pan=-0.5, gain_db=-3.0),
                SheetCue("call", "left", 2.15),
            ),
            contact_s=2.0,
            window=Window(73.0, 133.0, 193.0),
        ),
        SheetRep(rep=1, start_s=4.0, withheld=True, call=None, cues=(), contact_s=8.4, mode="reactive"),
    ),
    drill="Serve return",
    seed=7,
    placement=Placement(5.0, 5.5, 0.5, 12.0),
    window=Window(73.0, 133.0, 193.0),
)
SMALL = {"schema": 1, "audio": "mine.wav", "rate_hz": 44_100, "reps": [{"cues": [{"role": "contact", "at_s": 2}]}]}


def read(value):
    return sheet_from_json(value if isinstance(value, str) else json.dumps(value), "s.json")


def refusal(value):
    with pytest.raises(SheetError) as caught:
        read(value)
    assert caught.value.exit_code == 2
    return str(caught.value)


def changed(**keys):
    return {**SMALL, **keys}


def at_times(*times_s):
    return changed(reps=[{"cues": [{"role": "contact", "at_s": at_s}]} for at_s in times_s])


def wide(reach_ms):
    return {"open_ms": -reach_ms, "centre_ms": 0.0, "close_ms": reach_ms}


def test_contacts_may_be_as_close_as_anybody_could_answer():
    assert len(read(at_times(2, 2.2, 2.4)).reps) == 3


def test_a_full_sheet_reads_back_as_it_was_written():
    assert read(sheet_to_json(FULL)) == FULL


def test_a_sheet_says_that_a_simulated_player_answered_and_nothing_otherwise():
    assert "simulated" not in sheet_to_json(FULL)
    told = replace(FULL, simulated=True)
    assert read(sheet_to_json(told)) == told
    assert not read(SMALL).simulated
    assert "simulated: should be a valid boolean" in refusal(changed(simulated="yes"))


def test_a_sheet_names_the_session_that_it_was_played_in_and_nothing_otherwise():
    assert '"session":' not in sheet_to_json(FULL)
    told = replace(FULL, session="0123456789abcdef" * 2)
    assert read(sheet_to_json(told)) == told
    assert "session: " in refusal(changed(session="\ud800"))


times_s = st.floats(0.0, 1e4)
cues = st.builds(SheetCue, st.sampled_from(["precue", "call", "feedback"]), st.text(max_size=5), times_s)
reps = st.builds(
    lambda cues, contact_s, call: SheetRep(0, 0.0, False, call, (*cues, SheetCue("contact", "smack", contact_s))),
    st.lists(cues, max_size=3),
    times_s,
    st.none() | st.text(max_size=5),
)


@given(st.builds(lambda rep, seed: CueSheet("a.wav", 48_000, (rep,), seed=seed), reps, st.none() | st.integers(*INT64)))
@settings(max_examples=50)
def test_any_sheet_reads_back_as_it_was_written(sheet):
    assert read(sheet_to_json(sheet)) == sheet


def test_the_contract_is_written_in_its_own_words():
    value = json.loads(sheet_to_json(FULL))
    assert next(iter(value)) == "schema"
    assert value["schema"] == 1
    assert set(value) == {"schema", "drill", "seed", "rate_hz", "audio", "placement", "window", "reps"}
    assert set(value["reps"][1]) >= {"rep", "start_s", "withheld", "call", "cues"}
    assert value["reps"][0]["cues"][2] == {"role": "call", "sound": "left", "at_s": 2.15}
    assert value["placement"] == {
        "speaker_to_player_m": 5.0,
        "player_to_mic_m": 5.5,
        "speaker_to_mic_m": 0.5,
        "air_c": 12.0,
    }


def test_audio_rate_and_contacts_are_enough():
    sheet = read({key: value for key, value in SMALL.items() if key != "schema"})
    assert sheet.placement == Placement(unknown=frozenset(DISTANCES))
    assert sheet.window is None
    assert sheet.seed is None
    (rep,) = sheet.reps
    assert (rep.rep, rep.start_s, rep.withheld, rep.call, rep.window) == (0, 2.0, False, None, None)
    assert contact_cue(rep) == SheetCue("contact", "", 2.0)


def test_keys_of_other_writers_are_passed_over():
    assert read(changed(comment="by hand", reps=[{**SMALL["reps"][0], "mood": 3}])) == read(SMALL)


def test_a_withheld_rep_has_no_contact_cue():
    (rep,) = read(changed(reps=[{"withheld": True, "contact_s": 3.0}])).reps
    assert contact_cue(rep) is None
    assert rep.contact_s == 3.0


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (changed(schema=2), "schema: should be 1"),
        (changed(audio=""), "audio: String should have at least 1 character"),
        (changed(rate_hz="48000"), "rate_hz: should be a valid integer"),
        (changed(rate_hz=0), "rate_hz: should be greater than or equal to 4000"),
        (changed(reps=[]), "reps: List should have at least 1 item"),
        (changed(reps=[{}]), "reps[0]: expected exactly one cue with the role contact, or withheld: true; got 0"),
        (changed(reps=[{**SMALL["reps"][0], "withheld": True}]), "reps[0]: a withheld rep has no contact cue"),
        (changed(reps=SMALL["reps"] + [{**SMALL["reps"][0], "rep": 0}]), "rep 0 stands 2 times"),
        (
            changed(reps=[{"cues": [{"role": "contact", "at_s": "2"}]}]),
            "reps[0].cues[0].at_s: should be a valid number",
        ),
        (changed(reps=[{"cues": [{"role": "contact", "at_s": -1}]}]), "reps[0].cues[0].at_s: should be greater"),
        (changed(reps=[{"cues": [{"role": "contcat", "at_s": 1}]}]), "reps[0].cues[0].role: should be 'precue'"),
        (changed(window={"open_ms": 9, "centre_ms": 5, "close_ms": 12}), "window: expected open_ms <= centre_ms"),
        (changed(placement={"air_c": 500}), "placement.air_c: should be less than or equal to 70"),
        (changed(seed=10**20), "seed: should be"),
        (changed(reps=[{**SMALL["reps"][0], "rep": 10**30}]), "reps[0].rep: should be"),
        (changed(window=wide(1e308)), "window.open_ms: should be greater than or equal to -600000"),
        (changed(reps=[{**SMALL["reps"][0], "window": wide(1e6)}]), "reps[0].window.close_ms: should be less than"),
        (changed(drill="x" * 1001), "drill: String should have at most 1000 characters"),
        (changed(audio="x" * 1001), "audio: String should have at most 1000 characters"),
        (changed(reps=[{**SMALL["reps"][0], "call": "x" * 1001}]), "reps[0].call: String should have at most"),
        (at_times(2, 9, 2.19), "contacts of reps[0] and reps[2] are less than 200 ms apart, at 2.0 s"),
        (at_times(*[5] * 10_000), "contacts of reps[0] and reps[1] are less than"),
        (
            changed(reps=[*SMALL["reps"], {"withheld": True, "contact_s": 2.1}]),
            "contacts of reps[0] and reps[1] are less than 200 ms apart",
        ),
        ("[1, 2]", "the sheet: should be a valid dictionary"),
        ('{"audio": "a.wav",\n "rate_hz": }', "s.json:2:13: not valid JSON"),
        (json.dumps(SMALL).replace('"at_s": 2', '"at_s": NaN'), "reps[0].cues[0].at_s"),
        ("[" * 100_000, "s.json: not a cue sheet"),
        ('{"rate_hz": ' + "9" * 5000 + "}", "s.json: not a cue sheet"),
    ],
)
def test_a_fault_is_told_with_its_path(value, expected):
    message = refusal(value)
    assert message.startswith("s.json")
    assert expected in message


def test_all_faults_are_told_up_to_ten():
    message = refusal(changed(reps=[{"rep": "x"}] * 30, schema=3))
    assert "schema" in message
    assert "reps[0].rep" in message
    assert "... and 21 more" in message


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(list(SMALL)), inner, max_size=4),
        max_leaves=12,
    )
)
@settings(max_examples=150)
def test_any_json_is_read_or_refused(value):
    with contextlib.suppress(SheetError):
        assert read(json.dumps(value)).reps


def test_the_committed_schema_is_the_one_in_force():
    committed = json.loads(Path(module.__file__).with_name("cuesheet.schema.json").read_text(encoding="utf-8"))
    in_force = module.SheetForm.model_json_schema(by_alias=True)
    assert committed == {"$schema": "https://json-schema.org/draft/2020-12/schema", **in_force}


def test_written_sheets_fit_the_schema():
    jsonschema.Draft202012Validator.check_schema(sheet_schema())
    validator = jsonschema.Draft202012Validator(sheet_schema())
    validator.validate(json.loads(sheet_to_json(FULL)))
    validator.validate(SMALL)
    assert not validator.is_valid(changed(rate_hz="48000"))
