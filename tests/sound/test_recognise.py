"""The committed words are understood by an offline recogniser at least as well as when they were made."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from drilltimer.units import frames_from_s, ratio_from_db

pocketsphinx = pytest.importorskip("pocketsphinx", reason="pip install 'drilltimer[test]' brings pocketsphinx")

SOUNDS = Path(__file__).parents[2] / "sounds"
FILES = {
    entry["text"]: entry["file"]
    for entry in json.loads((SOUNDS / "manifest.json").read_text(encoding="utf-8"))["words"]
}
GROUPS = tomllib.loads((Path(__file__).parents[1] / "data" / "recognised.toml").read_text(encoding="utf-8"))
RATE_HZ = 16_000
PAUSE_S = 0.3  # of a quiet room around the word, at -80 dB: the recogniser needs a beginning and an end
ROOM = ratio_from_db(-80.0)


@pytest.fixture(scope="module")
def decoder() -> Any:
    path = pocketsphinx.get_model_path
    return pocketsphinx.Decoder(
        hmm=path("en-us/en-us"), dict=path("en-us/cmudict-en-us.dict"), lm=None, samprate=RATE_HZ, loglevel="FATAL"
    )


def heard(decoder: Any, text: str) -> str:
    from scipy.signal import resample_poly

    samples, rate_hz = soundfile.read(SOUNDS / FILES[text])
    word = np.pad(resample_poly(samples, RATE_HZ, rate_hz), frames_from_s(PAUSE_S, RATE_HZ))
    word = word + ROOM * np.random.default_rng(0).standard_normal(len(word))
    decoder.start_utt()
    decoder.process_raw((np.clip(word, -1.0, 1.0) * 32767.0).astype("<i2").tobytes(), full_utt=True)
    decoder.end_utt()
    best = decoder.hyp()
    return best.hypstr if best else ""


def recognised(decoder: Any, name: str, words: list[str]) -> list[str]:
    decoder.add_jsgf_string(name, f"#JSGF V1.0;\ngrammar {name};\npublic <word> = {' | '.join(words)};\n")
    decoder.activate_search(name)
    return [text for text in words if heard(decoder, text) == text]


@pytest.mark.long
@pytest.mark.parametrize("name", GROUPS)
def test_words_are_recognised_at_or_above_the_baseline(decoder: Any, name: str) -> None:
    words = GROUPS[name]["words"] or list(FILES)
    understood = recognised(decoder, name, words)
    missed = sorted(set(words) - set(understood))
    assert len(understood) >= GROUPS[name]["recognised"], f"not understood: {', '.join(missed)}"


def test_another_word_in_the_file_would_be_noticed(decoder: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    left, right = FILES["left"], FILES["right"]
    monkeypatch.setitem(FILES, "left", right)
    monkeypatch.setitem(FILES, "right", left)
    assert recognised(decoder, "swapped", ["left", "right"]) == []
