"""Every sound that a drill can use: listed, played, and recorded by a coach's own voice."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from drilltimer.audio.files import list_words, load_word, save_word, shipped_folder
from drilltimer.drill.form import WORD_PATTERN
from drilltimer.errors import SoundError
from drilltimer.model import AudioStream, Cue, Samples, Sound
from drilltimer.sound.bank import build_bank
from drilltimer.sound.render import RENDERED, render
from drilltimer.sound.voice import Word, prepare_word
from drilltimer.units import db_from_ratio, frames_from_s, ms_from_s, s_from_frames

LIST_RATE_HZ = 48_000
SETTLE_S = 0.6  # drivers drop sound at their start, and a click of the key has faded
QUIET_S = 0.4  # of the room before the speaker is asked for the word: twice what the noise is measured on
TAKE_S = 2.6
LANGUAGE = "en"


@dataclass(frozen=True, slots=True)
class SoundEntry:
    """One sound. `kind`: made from formula, shipped word, own. The anchor counts from the first sample."""

    name: str
    kind: str
    length_ms: float
    anchor_ms: float
    peak_db: float  # sample peak re full scale


def sound_catalogue() -> list[SoundEntry]:
    """All sounds by name; a recording replaces what is made from formula."""
    found = {name: _entry(name, "formula", render(name, LIST_RATE_HZ)) for name in RENDERED}
    for word in list_words(LANGUAGE):
        sound = load_word(word.name, LANGUAGE)
        if sound is not None:
            found[word.name] = _entry(word.name, "own" if word.own else "word", sound)
    return [found[name] for name in sorted(found)]


def find_sound(name: str, rate_hz: int) -> Sound:
    """The sound of that name at a rate. Raises `SoundError` when there is none."""
    return build_bank([Cue("feedback", name, 0.0)], rate_hz, load_word)[name, None]


def play_sound(name: str, stream: AudioStream) -> Sound:
    """Play one sound and wait until it is over; closes the stream."""
    try:
        sound = find_sound(name, stream.rate_hz)
        stream.start()
        begin = frames_from_s(SETTLE_S, stream.rate_hz)
        stream.play(begin, sound, Cue("feedback", name, 0.0))
        end = begin + len(sound.samples) + frames_from_s(SETTLE_S, stream.rate_hz)
        while True:
            block = stream.read()
            if block.start + len(block.samples) >= end:
                return sound
    finally:
        stream.close()


def record_word(text: str, stream: AudioStream, *, call: bool | None, ask: Callable[[str], None]) -> tuple[Path, Word]:
    """Record a word by microphone, make it fit, and keep it in the user's sounds folder.

    Parameters
    ----------
    text : str
        The word, as drills write it.
    stream : AudioStream
        Not yet started; closed when this returns.
    call : bool | None
        Whether it is called while a landing is listened for, and so must be short. None: as the shipped word of that
        name, and otherwise yes for a single word.
    ask : callable
        Given the line that tells when to speak.

    Returns
    -------
    tuple
        The file, and the word with its figures.

    Raises
    ------
    SoundError
        No name for a word, too long, clipped, noisy, silent; with the figures. Nothing is kept then.
    """
    if not re.fullmatch(WORD_PATTERN, text) or len(text) > 40:
        stream.close()
        raise SoundError(
            f"'{text}' cannot be the name of a word",
            fix="Use lower-case letters, digits and spaces, such as wide or cross court.",
        )
    raw = _take(stream, text, ask)
    word = prepare_word(text, raw, stream.rate_hz, direction=_is_call(text) if call is None else call, recorded=True)
    return save_word(text, word.samples, word.rate_hz, LANGUAGE), word


def _take(stream: AudioStream, text: str, ask: Callable[[str], None]) -> Samples:
    """The microphone's loudest channel, from a moment of quiet to the end of the take."""
    settled = frames_from_s(SETTLE_S, stream.rate_hz)
    asked = settled + frames_from_s(QUIET_S, stream.rate_hz)
    end = asked + frames_from_s(TAKE_S, stream.rate_hz)
    blocks: list[Samples] = []
    waiting = True
    try:
        stream.start()
        while True:
            block = stream.read()
            if block.xrun and block.start >= settled:
                raise SoundError(f"sound was lost while '{text}' was recorded", fix="Record it again.")
            if block.start >= settled:
                blocks.append(block.samples)
            now = block.start + len(block.samples)
            if waiting and now >= asked:
                ask(f"say: {text}")
                waiting = False
            if now >= end:
                break
    finally:
        stream.close()
    taken = np.concatenate(blocks)
    loudest = int(np.argmax(np.sum(taken.astype(np.float64) ** 2, axis=0)))
    return np.ascontiguousarray(taken[:, loudest])


def _is_call(text: str) -> bool:
    manifest = json.loads((shipped_folder("sounds") / "manifest.json").read_text(encoding="utf-8"))
    called = {entry["text"]: bool(entry["called"]) for entry in manifest["words"]}
    return called.get(text, " " not in text)


def _entry(name: str, kind: str, sound: Sound) -> SoundEntry:
    peak = float(np.max(np.abs(sound.samples), initial=0.0))
    length_ms, anchor_ms = (ms_from_s(s_from_frames(n, sound.rate_hz)) for n in (len(sound.samples), sound.anchor))
    return SoundEntry(name, kind, round(length_ms, 1), round(anchor_ms, 1), round(db_from_ratio(peak), 2))
