"""Measure how soon each called word can be told from each other one, and write it into the manifest.

A developer's tool, run after `make_words.py`; needs the extra `test`::

    .venv/bin/python sounds/recognise_words.py

Gating (Grosjean 1980, Percept Psychophys 28:267-283, from memory): an offline recogniser hears the word's first
milliseconds and must say which of two words it is. The point is the shortest beginning from which on it is always
right, counted from the word's onset. A recogniser is no ear; but what it tells apart is there to be heard.
"""

from __future__ import annotations

import json
from itertools import permutations
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray
from pocketsphinx import Decoder, get_model_path
from scipy.signal import resample_poly

from drilltimer.units import frames_from_s, ratio_from_db, s_from_ms

FOLDER = Path(__file__).parent
RATE_HZ = 16_000
STEP_MS = 10.0
FADE_MS = 5.0  # at the cut: a click would be a sound of its own
PAUSE_S = 0.3
ROOM = ratio_from_db(-80.0)


def open_decoder() -> Any:
    """The recogniser with its own English model."""
    path = get_model_path
    return Decoder(
        hmm=path("en-us/en-us"), dict=path("en-us/cmudict-en-us.dict"), lm=None, samprate=RATE_HZ, loglevel="FATAL"
    )


def read_word(entry: dict[str, Any]) -> NDArray[np.float64]:
    """A word from its onset."""
    samples, rate_hz = soundfile.read(FOLDER / entry["file"])
    word: NDArray[np.float64] = resample_poly(samples, RATE_HZ, rate_hz)
    return word[frames_from_s(s_from_ms(entry["onset_ms"]), RATE_HZ) :]


def known_ms(decoder: Any, word: NDArray[np.float64], text: str, other: str) -> float | None:
    """Shortest beginning from which on `text` is never taken for `other`; None where even the whole word is."""
    decoder.add_jsgf_string("pair", f"#JSGF V1.0;\ngrammar pair;\npublic <word> = {text} | {other};\n")
    decoder.activate_search("pair")
    length_ms = 1e3 * len(word) / RATE_HZ
    point_ms, gate_ms = None, length_ms
    while gate_ms > 0 and _heard(decoder, word, gate_ms) == text:
        point_ms, gate_ms = gate_ms, STEP_MS * np.ceil(gate_ms / STEP_MS - 1.0)
    return point_ms


def _heard(decoder: Any, word: NDArray[np.float64], gate_ms: float) -> str:
    frames = min(frames_from_s(s_from_ms(gate_ms), RATE_HZ), len(word))
    fade = min(frames_from_s(s_from_ms(FADE_MS), RATE_HZ), frames)
    begun = word[:frames].copy()
    begun[frames - fade :] *= np.linspace(1.0, 0.0, fade)
    sound = np.pad(begun, frames_from_s(PAUSE_S, RATE_HZ))
    sound = sound + ROOM * np.random.default_rng(0).standard_normal(len(sound))
    decoder.start_utt()
    decoder.process_raw((np.clip(sound, -1.0, 1.0) * 32767.0).astype("<i2").tobytes(), full_utt=True)
    decoder.end_utt()
    best = decoder.hyp()
    return best.hypstr if best else ""


def main() -> None:
    """Measure all pairs of called words and write the manifest."""
    path = FOLDER / "manifest.json"
    manifest = json.loads(path.read_text(encoding="utf-8"))
    called = {entry["text"]: entry for entry in manifest["words"] if entry["called"]}
    decoder, words = open_decoder(), {text: read_word(entry) for text, entry in called.items()}
    points: dict[str, dict[str, float | None]] = {text: {} for text in called}
    for text, other in permutations(called, 2):
        point_ms = known_ms(decoder, words[text], text, other)
        points[text][other] = None if point_ms is None else round(point_ms, 1)
    for text, entry in called.items():
        entry["known_ms"] = points[text]
        told = sorted(value for value in points[text].values() if value is not None)
        unknown = [other for other, value in points[text].items() if value is None]
        print(f"{text:10} {entry['length_ms']:5.0f} ms long; known at {told}; never from {unknown}")
    path.write_text(json.dumps(manifest, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
