"""Make every spoken word of `sounds/en` once. A developer's tool: nothing of it runs in the program.

The words are committed as files, so that a listener never needs a speech engine. To make them anew, in an environment
of their own (the engine brings 90 MB that the program does not need)::

    python3 -m venv /tmp/voice
    /tmp/voice/bin/pip install hibari-tts==0.2.1 scipy soundfile -e .
    /tmp/voice/bin/python sounds/make_words.py
"""

from __future__ import annotations

import hashlib
import json
from importlib.metadata import version
from pathlib import Path
from typing import Any

import soundfile
from hibari import Hibari

from drilltimer.sound.voice import (
    DIRECTION_ORDER,
    OTHER_ORDER,
    Word,
    prepare_word,
)

FOLDER = Path(__file__).parent
LANGUAGE = "en"
ENGINE = "hibari-tts"
ENGINE_RATE_HZ = 24_000
SEED = 0
WORD_SPEED = 1.4  # re the engine's own pace: a fifth shorter, and word recognisers still understood it in quiet
SENTENCE_SPEED = 1.15  # nobody waits for these with a foot in the air

# Called while a landing is listened for: the stronger high-pass, and a limit on their length.
DIRECTIONS = ("left", "right", "up", "back", "short", "deep", "in", "front", "in front")
NUMBERS = (
    *("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten"),
    *("eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen", "twenty"),
)
COLOURS = ("red", "blue", "yellow", "green")
WORDS = (
    *("ready", "early", "late", "on time", "rest", "switch", "change", "next station", "well done", "go", "stop"),
    *("before", "good", "hop", "contact", "half way", "last round", "finished", "breathe", "warm up", "get ready"),
    *("harder", "easier", "your guess", "ten seconds", "next exercise"),
)
SENTENCES = (
    *("heels up", "wide base", "both feet together", "watch the hitter", "soft landing"),
    *("hop in time with each contact", "wait for the call", "stay still when no contact comes", "move on the call"),
)
# Of the shipped warm-ups.
MOVEMENTS = (
    *("jog around the court", "side shuffle", "carioca steps", "high knees", "arm circles and trunk turns"),
    *("lunges with a turn", "small hops on the spot", "jog and change direction on call", "skip and swing the arms"),
    "balance on one leg",
)
# Numbers to nine and colours are called as targets too.
CALLED = frozenset({*DIRECTIONS, *COLOURS, *NUMBERS[:9], "switch"})


def file_name(text: str) -> str:
    """Name of the word's file: `on time` lives in `on-time.wav`."""
    return text.replace(" ", "-") + ".wav"


def make_word(engine: Hibari, text: str) -> dict[str, Any]:
    """Read `text`, finish it, write its file; returns its entry of the manifest."""
    speed = SENTENCE_SPEED if text in (*SENTENCES, *MOVEMENTS) else WORD_SPEED
    called = text in CALLED
    raw = engine(text + ".", speed=speed, seed=SEED)
    word = prepare_word(text, raw, ENGINE_RATE_HZ, direction=called, recorded=False)
    path = FOLDER / LANGUAGE / file_name(text)
    soundfile.write(path, word.samples, word.rate_hz, subtype="PCM_16")
    return {
        "text": text,
        "file": f"{LANGUAGE}/{path.name}",
        "engine": ENGINE,
        "version": version(ENGINE),
        "speed": speed,
        "seed": SEED,
        "called": called,
        "high_pass_hz": word.corner_hz,
        "high_pass_order": DIRECTION_ORDER if called else OTHER_ORDER,
        "rate_hz": word.rate_hz,
        **figures(word),
        "remarks": list(word.remarks),
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
    }


def figures(word: Word) -> dict[str, float]:
    """What was measured on a word, rounded to what means anything."""
    return {
        "onset_ms": round(word.onset_ms, 2),
        "t50_ms": round(word.t50_ms, 1),
        "length_ms": round(word.length_ms, 1),
        "loudness_lufs": round(word.loudness_lufs, 2),
        "peak_db": round(word.peak_db, 2),
        "low_share": round(word.low_share, 4),
    }


def main() -> None:
    """Write all words and the manifest."""
    (FOLDER / LANGUAGE).mkdir(exist_ok=True)
    engine = Hibari()
    texts = (*DIRECTIONS, *NUMBERS, *COLOURS, *WORDS, *SENTENCES, *MOVEMENTS)
    entries = [make_word(engine, text) for text in texts]
    manifest = {"schema": 1, "language": LANGUAGE, "words": sorted(entries, key=lambda entry: str(entry["text"]))}
    (FOLDER / "manifest.json").write_text(json.dumps(manifest, indent=1) + "\n", encoding="utf-8")
    for entry in entries:
        print(f"{entry['text']:34} {entry['length_ms']:7.1f} ms  {entry['loudness_lufs']:6.1f} LUFS")


if __name__ == "__main__":
    main()
