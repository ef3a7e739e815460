"""Labels and pictures say what the score document says, at the right places."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pytest
import soundfile
from calling import call
from eight_reps import CONTACTS_S, DELAYS_MS, PLAIN, RATE_HZ
from test_run import HEARD
from words import refused

from drilltimer.errors import RecordingError
from drilltimer.recordings.annotate import LANE, LEFT, RIGHT, TITLE, WIDTH, WORDS, PictureMark, RepPicture, draw
from drilltimer.recordings.session_recorder import write_text

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def annotated(tmp_path_factory):
    """Folder, document and output of a scored recording with eight landings."""
    folder = tmp_path_factory.mktemp("annotated")
    soundfile.write(folder / "played.wav", PLAIN.played, RATE_HZ, "PCM_24")
    soundfile.write(folder / "heard.wav", HEARD, RATE_HZ)
    reps = [{"cues": [{"role": "contact", "at_s": at_s}]} for at_s in CONTACTS_S]
    reps.append({"withheld": True, "contact_s": CONTACTS_S[-1] + 60.0})
    place = {"speaker_to_player_m": 3.0, "player_to_mic_m": 3.0, "speaker_to_mic_m": 0.0}
    sheet = {"audio": "played.wav", "rate_hz": RATE_HZ, "placement": place, "reps": reps}
    (folder / "s<&>.cues.json").write_text(json.dumps(sheet))
    options = ["--sheet", folder / "s<&>.cues.json", "--json", "--annotate", folder / "o"]
    answer = call("score", folder / "heard.wav", *options)
    return folder / "o", json.loads(answer.stdout), answer


def labels(folder):
    lines = (folder / "labels.txt").read_text(encoding="utf-8").splitlines()
    return [(float(start), float(end), text) for start, end, text in (line.split("\t") for line in lines)]


@pytest.mark.long
def test_labels_are_start_end_text_in_the_recordings_seconds(annotated):
    folder, document, _ = annotated
    found = {text: (start, end) for start, end, text in labels(folder)}
    way_s = 6.0 / 343.2
    for rep in document["reps"][:8]:
        name = f"rep {rep['rep'] + 1}"
        assert found[f"{name} touchdown"] == pytest.approx((rep["touchdown_s"],) * 2, abs=2e-6)
        window = (rep["window_open_ms"] / 1e3, rep["window_close_ms"] / 1e3)
        by_hand = tuple(rep["contact_heard_s"] + way_s + edge_s for edge_s in window)
        assert found[f"{name} window"] == pytest.approx(by_hand, abs=1e-4)
        (contact,) = [text for text in found if text.startswith(f"{name} contact: {rep['grade']}")]
        assert found[contact] == pytest.approx((rep["contact_heard_s"],) * 2, abs=2e-6)
    starts = [start for start, _, _ in labels(folder)]
    assert starts == sorted(starts)
    assert any("piece 1: reps 1 to 8" in text for text in found)


def test_every_rep_in_the_recording_has_a_picture_and_what_is_not_in_it_has_none(annotated):
    folder, document, answer = annotated
    assert document["reps"][8]["grade"] == "void"
    assert sorted(path.name for path in folder.glob("*.svg")) == [f"rep-{n:03d}.svg" for n in range(1, 9)]
    assert "8 pictures" in answer.stderr
    page = (folder / "index.html").read_text(encoding="utf-8")
    assert re.findall(r'src="([^"]+)"', page) == [f"rep-{n:03d}.svg" for n in range(1, 9)]


def test_marks_lie_where_the_document_says(annotated):
    folder, document, _ = annotated
    for rep in document["reps"][:8]:
        root = ElementTree.parse(folder / f"rep-{rep['rep'] + 1:03d}.svg").getroot()
        lines = {line.get("class"): float(line.get("x1")) for line in root.iter(f"{SVG}line")}
        ms_per_unit = 1700.0 / (WIDTH - LEFT - RIGHT)
        touchdown_ms = (lines["mark touchdown"] - lines["mark contact"]) * ms_per_unit
        assert touchdown_ms == pytest.approx(DELAYS_MS[rep["rep"]], abs=1.5)
        window = next(each for each in root.iter(f"{SVG}rect") if each.get("class") == "window")
        opens_ms = (float(window.get("x")) - lines["mark contact"]) * ms_per_unit
        assert opens_ms == pytest.approx(rep["window_open_ms"] + 17.48, abs=0.3)
        words = " ".join(text.text for text in root.iter(f"{SVG}text"))
        assert rep["grade"] in words
        assert f"{rep['touchdown_ms']:+.0f} ms" in words
        assert "s<&>.cues.json" in words


def test_a_picture_loads_nothing(annotated):
    folder, _, _ = annotated
    for path in folder.glob("*.svg"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"(?:href|src|url\(|@import|<script)", text)


def picture(sound, low=None, **changes):
    marks = [
        PictureMark(0.0, "contact", "contact"),
        PictureMark(120.0, "touchdown", "touchdown"),
        PictureMark(125.0, "second", "second"),
    ]
    values = {
        "title": "<b>Rep & 1",
        "below": "",
        "sound": sound,
        "low": sound if low is None else low,
        "from_ms": -500.0,
        "to_ms": 1200.0,
        "window_ms": (73.0, 193.0),
        "doubt_ms": 20.0,
        "marks": marks,
    }
    return draw(RepPicture(**(values | changes)))


def test_a_click_is_drawn_where_it_is():
    """At 300 ms of -500 to 1200: the outline is widest there."""
    sound = 1e-3 * np.random.default_rng(1).standard_normal(17_000)
    sound[8000] = 1.0
    root = ElementTree.fromstring(picture(sound))
    path = next(each for each in root.iter(f"{SVG}path") if each.get("class") == "wave")
    points = np.array([tuple(map(float, each.split())) for each in path.get("d")[1:-1].split("L")])
    highest = points[np.argmin(points[:, 1])]
    assert highest[0] == pytest.approx(LEFT + 800 / 1700 * (WIDTH - LEFT - RIGHT), abs=1.0)
    assert TITLE + WORDS <= highest[1] <= TITLE + WORDS + 0.1 * LANE


def test_words_of_marks_close_together_do_not_lie_on_each_other():
    root = ElementTree.fromstring(picture(np.zeros(17_000)))
    places = [
        (float(text.get("x")), float(text.get("y")), len(text.text) * 6.6)
        for text in root.iter(f"{SVG}text")
        if text.text in ("contact", "touchdown", "second", "window")
    ]
    assert len(places) == 4
    for i, (x, y, width) in enumerate(places):
        for other_x, other_y, other_width in places[i + 1 :]:
            assert y != other_y or abs(x - other_x) >= (width + other_width) / 2


def test_text_is_escaped_and_silence_is_drawn():
    text = picture(np.zeros(100), window_ms=None, doubt_ms=None, marks=[])
    assert "<b>" not in text
    assert "&lt;b&gt;Rep &amp; 1" in text
    ElementTree.fromstring(text)


def test_the_touchdowns_doubt_is_drawn_as_wide_as_it_is():
    root = ElementTree.fromstring(picture(np.zeros(100)))
    doubt = next(each for each in root.iter(f"{SVG}rect") if each.get("class") == "doubt")
    assert float(doubt.get("width")) == pytest.approx(40.0 / 1700.0 * (WIDTH - LEFT - RIGHT), abs=0.1)


@pytest.mark.long
def test_labels_that_were_edited_are_set_aside_and_not_written_over(annotated, tmp_path):
    folder, _, _ = annotated
    made = (folder / "labels.txt").read_text(encoding="utf-8")
    options = ("--sheet", next(folder.parent.glob("*.cues.json")), "--annotate", tmp_path)
    for times, edited in enumerate(("0.0\t1.0\tthe coach's own\n", "0.0\t1.0\tonce more\n"), start=1):
        (tmp_path / "labels.txt").write_text(edited, encoding="utf-8")
        for _ in range(2):  # what was not edited is no reason for another one
            call("score", folder.parent / "heard.wav", *options)
        assert (tmp_path / f"labels-before-{times}.txt").read_text(encoding="utf-8") == edited
        assert (tmp_path / "labels.txt").read_text(encoding="utf-8") == made
        assert len(list(tmp_path.glob("labels*"))) == times + 1


def test_a_text_that_cannot_be_written_leaves_the_one_before_it(tmp_path, monkeypatch):
    path = tmp_path / "summary.json"
    write_text(path, "the first\n")

    def full(self, text, **options):
        with self.open("w", encoding="utf-8") as file:
            file.write(text[:3])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    with refused(RecordingError, r"summary\.json: cannot be written: No space left on device"):
        write_text(path, "the second\n")
    assert path.read_text(encoding="utf-8") == "the first\n"
    assert list(tmp_path.iterdir()) == [path]
