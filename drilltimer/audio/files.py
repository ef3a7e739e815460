"""Where drills and sounds lie, and what is in them: shipped folders, the user's own folders, drill texts, words.

And paths: as people write them, and as C libraries take them.
"""

from __future__ import annotations

import difflib
import json
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import numpy as np

from drilltimer.errors import DrillFileError, SoundError, UserError
from drilltimer.model import TYPICAL_RECOGNITION_S, Samples, Sound
from drilltimer.sound.render import CONTACTS, SWING
from drilltimer.sound.shape import PEAK_DB
from drilltimer.sound.voice import onset_frame
from drilltimer.units import frames_from_s, ratio_from_db, s_from_frames, s_from_ms

Kind = Literal["drills", "sounds"]

MAX_DRILL_BYTES = 256 * 1024  # the longest shipped drill has a hundredth of that
MAX_WORD_S = 5.0
DRILL_SUFFIXES = (".yaml", ".yml")
WORD_SUFFIXES = (".wav", ".flac", ".ogg")
PLAIN_NAME = re.compile(r"[\w'-]+")  # a drill may be a stranger's: its words must not lead out of the folder


@dataclass(frozen=True, slots=True)
class DrillFile:
    """A drill that can be run by its name; `own` when it lies in the user's folder."""

    name: str
    path: Path
    own: bool


@dataclass(frozen=True, slots=True)
class WordFile:
    """A recorded word; `own` when it lies in the user's folder."""

    name: str
    path: Path
    own: bool


def shipped_folder(kind: Kind) -> Path:
    """Folder of the drills or sounds that come with the program.

    It lies inside the package when that was installed from a wheel and beside it in a source tree.

    Raises
    ------
    UserError
        Neither is there: the installation is incomplete.
    """
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "_shipped" / kind, package.parent / kind):
        if os.path.isdir(folder):
            return folder
    raise UserError(
        f"the folder of shipped {kind} is missing beside {package}",
        why="The installation is incomplete.",
        fix="Install drilltimer again.",
    )


def data_folder() -> Path:
    """Folder of everything that is the user's own; need not exist. `DRILLTIMER_HOME` moves it.

    Raises
    ------
    UserError
        It is named so that no disk takes it.
    """
    home = os.environ.get("DRILLTIMER_HOME")
    if home:
        try:
            return _that_can_be(expanded(home))
        except OSError as fault:
            raise UserError(
                f"DRILLTIMER_HOME names a folder that cannot be: {home:.100}: {fault.strerror}",
                fix="Name another one, or unset it.",
            ) from fault
    from platformdirs import user_data_path

    return user_data_path("drilltimer", appauthor=False)


def _that_can_be(folder: Path) -> Path:
    """`folder` if its name is none that its disk refuses, there or not; else raises OSError."""
    here = Path(folder.anchor)
    for place in (folder, *(Path(part) for part in folder.parts)):
        try:
            os.stat(here / place)
        except (FileNotFoundError, NotADirectoryError, PermissionError):
            continue  # to be made, or told by whoever needs it
        here = here / place
    return folder


def user_folder(kind: Kind) -> Path:
    """Folder for the user's own drills or sounds; need not exist."""
    return data_folder() / kind


def list_drills() -> list[DrillFile]:
    """Every drill that has a name, sorted; the user's own stand in for shipped ones of the same name."""
    found: dict[str, DrillFile] = {}
    for folder, own in ((shipped_folder("drills"), False), (user_folder("drills"), True)):
        if not os.path.isdir(folder):
            continue
        for suffix in reversed(DRILL_SUFFIXES):
            for path in folder.glob(f"*{suffix}"):
                found[path.stem] = DrillFile(path.stem, path, own)
    return [found[name] for name in sorted(found)]


def find_drill(name_or_path: str) -> tuple[str, str]:
    """Text and file of a drill.

    Parameters
    ----------
    name_or_path : str
        The name of a shipped or own drill, or the path of a file.

    Returns
    -------
    tuple of str
        The text, and the file's path for messages.

    Raises
    ------
    DrillFileError
        Missing (tells the nearest names), a folder, unreadable, too big, not UTF-8.
    """
    path = expanded(name_or_path)
    is_path = path.name != name_or_path or path.suffix.lower() in DRILL_SUFFIXES
    if not is_path:
        named = {drill.name.casefold(): drill.path for drill in list_drills()}
        if name_or_path.casefold() not in named and not os.path.isfile(path):  # pathlib's raises
            raise no_such(name_or_path, list(named), "drill", "drilltimer drills", user_folder("drills"))
        path = named.get(name_or_path.casefold(), path)
    return drill_text(path), str(path)


def no_such(name: str, names: list[str], kind: str, verb: str, folder: Path) -> DrillFileError:
    """Refusal of a name that none of `names` is; tells the nearest."""
    near = difflib.get_close_matches(name.casefold(), names, n=3, cutoff=0.5)
    return DrillFileError(
        f"no {kind} is called '{name}'" + (f"; did you mean {' or '.join(map(repr, near))}?" if near else ""),
        fix=f"'{verb}' lists them. Your own belong in {folder}, or give a file's path.",
    )


def write_new(path: Path, text: str) -> None:
    """Write a drill's or a plan's file, and its folder; no file is ever replaced.

    Raises
    ------
    DrillFileError
        It is there, or nothing can be written there.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        if not os.path.isfile(path):  # the folder's place is taken by a file
            raise DrillFileError(f"{path}: cannot be written", fix="Choose another folder.") from None
        raise DrillFileError(f"{path}: is there already", fix="Choose another name.") from None
    except OSError as fault:
        raise DrillFileError(f"{path}: cannot be written: {fault.strerror}", fix="Choose another folder.") from fault


def drill_text(path: Path) -> str:
    """Text of a drill's or a plan's file; refuses what `find_drill` refuses."""
    try:
        if os.path.isdir(path):
            raise DrillFileError(f"{path}: is a folder, not a drill file", fix="Give the file inside it.")
        if os.path.exists(path) and not os.path.isfile(path):  # a device or pipe might never end
            raise DrillFileError(f"{path}: is not a regular file", fix="Copy its text into a file.")
        with path.open("rb") as file:
            raw = file.read(MAX_DRILL_BYTES + 1)
    except FileNotFoundError:
        raise DrillFileError(f"{path}: no such file", fix="'drilltimer drills' lists the drills by name.") from None
    except (OSError, ValueError) as fault:  # ValueError: a zero byte in the path
        reason = getattr(fault, "strerror", None) or str(fault)
        raise DrillFileError(f"{path}: cannot be read: {reason}") from fault
    if len(raw) > MAX_DRILL_BYTES:
        limit_kib = MAX_DRILL_BYTES // 1024
        raise DrillFileError(f"{path}: is longer than {limit_kib} KiB, which no drill is", fix="Is it the right file?")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = raw.count(b"\n", 0, fault.start) + 1
        raise DrillFileError(
            f"{path}:{line}: is not UTF-8 text (byte {fault.start})",
            why="It was saved in another encoding, or is no text file.",
            fix="Save it as UTF-8.",
        ) from fault


def load_word(name: str, language: str = "en") -> Sound | None:
    """A recorded word, as the file has it; None when there is no such word.

    Parameters
    ----------
    name : str
        The word; spaces become hyphens in the file's name. A file in the user's folder stands in for a shipped one.
    language : str
        Folder below the sounds folder.

    Returns
    -------
    Sound | None
        Mono, at the file's own rate, its sample peak at most -1 dBFS. The anchor is the word's onset, from the
        manifest for a shipped word and measured for the user's own. What stands in for a contact begins at its
        onset, because a contact is located by its first sample; what stands in for the swing has its moment at its end.

    Raises
    ------
    SoundError
        The file is there but is no usable sound of at most 5 s.
    """
    stem = name.strip().casefold().replace(" ", "-")
    if not (PLAIN_NAME.fullmatch(stem) and PLAIN_NAME.fullmatch(language)):
        return None
    for folder in (user_folder("sounds"), shipped_folder("sounds")):
        for suffix in WORD_SUFFIXES:
            path = folder / language / f"{stem}{suffix}"
            if os.path.isfile(path):
                return _read_word(stem, path)
    return None


def save_word(name: str, samples: Samples, rate_hz: int, language: str = "en") -> Path:
    """Keep a word in the user's sounds folder; answers its file.

    It is written beside its place and moved there, so that no half-written file is ever spoken.

    Raises
    ------
    SoundError
        It cannot be written there.
    """
    import soundfile

    path = user_folder("sounds") / language / f"{name.replace(' ', '-')}.wav"
    part = path.with_suffix(".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(for_libsndfile(part), samples, rate_hz, subtype="PCM_24", format="WAV")
        os.replace(part, path)
    except (OSError, soundfile.LibsndfileError) as fault:
        raise SoundError(f"{path}: cannot be written: {fault}", fix="Free some space, or mend the folder.") from fault
    return path


def _read_word(name: str, path: Path) -> Sound:
    import soundfile

    try:
        with soundfile.SoundFile(for_libsndfile(path)) as file:
            rate_hz = int(file.samplerate)
            samples = file.read(int(MAX_WORD_S * rate_hz) + 1, dtype="float32", always_2d=True)
    except (soundfile.LibsndfileError, OSError) as fault:
        raise SoundError(f"{path}: is not a readable sound: {fault}", fix="Record it again as WAV or FLAC.") from fault
    if not 0 < len(samples) <= MAX_WORD_S * rate_hz or not np.isfinite(samples).all():
        raise SoundError(f"{path}: must hold up to {MAX_WORD_S:.0f} s of sound", fix="Trim or record it again.")
    mono = np.ascontiguousarray(samples.mean(axis=1, dtype=np.float32))
    mono *= min(1.0, ratio_from_db(PEAK_DB) / max(float(np.max(np.abs(mono))), 1e-12))
    onset_ms = shipped_onsets_ms(shipped_folder("sounds")).get(path)
    onset = onset_frame(mono, rate_hz) if onset_ms is None else frames_from_s(s_from_ms(onset_ms), rate_hz)
    if name in CONTACTS:
        return Sound(name, mono[onset:], rate_hz)
    if name == SWING:
        return Sound(name, mono, rate_hz, len(mono) - 1)
    return Sound(name, mono, rate_hz, onset)


def recognised_s(name: str, words: Sequence[str], language: str = "en") -> float:
    """How long after its onset a word can be no other of `words`.

    As measured for shipped words. For others, and for what no recogniser could tell apart, half of the word (our
    choice; the shipped words take a fifth to two thirds of theirs).
    """
    sound = load_word(name, language)
    if sound is None:
        return TYPICAL_RECOGNITION_S
    half_s = s_from_frames(len(sound.samples) - sound.anchor, sound.rate_hz) / 2.0
    own = user_folder("sounds") / language
    stem = name.strip().casefold().replace(" ", "-")
    measured = shipped_words(shipped_folder("sounds")).get(shipped_folder("sounds") / language / f"{stem}.wav")
    if measured is None or any(os.path.isfile(own / f"{stem}{suffix}") for suffix in WORD_SUFFIXES):
        return half_s
    points_ms = [measured.get("known_ms", {}).get(other) for other in words if other != name]
    told_s = [half_s if point_ms is None else s_from_ms(point_ms) for point_ms in points_ms]
    return max(told_s, default=half_s)


def shipped_onsets_ms(folder: Path) -> dict[Path, float]:
    """Onset of each shipped word by its file, as measured when it was made; empty where no manifest came along."""
    return {path: float(entry["onset_ms"]) for path, entry in shipped_words(folder).items()}


@lru_cache(maxsize=4)
def shipped_words(folder: Path) -> dict[Path, dict[str, Any]]:
    """The manifest's entry of each shipped word, by its file."""
    try:
        manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    return {folder / entry["file"]: entry for entry in manifest["words"]}


def list_words(language: str = "en") -> list[WordFile]:
    """Every recorded word, sorted; the user's own stand in for shipped ones of the same name."""
    found: dict[str, WordFile] = {}
    for folder, own in ((shipped_folder("sounds"), False), (user_folder("sounds"), True)):
        for suffix in reversed(WORD_SUFFIXES):
            for path in (folder / language).glob(f"*{suffix}"):
                found[path.stem.casefold()] = WordFile(path.stem.casefold().replace("-", " "), path, own)
    return [found[name] for name in sorted(found)]


def expanded(path: str | Path) -> Path:
    """`path` with its leading "~" made the home folder; "~name" of nobody is a name like any other."""
    try:
        return Path(path).expanduser()
    except RuntimeError:
        return Path(path)


def is_text(name: str) -> bool:
    """Whether a file's name is text; POSIX allows any bytes, which Python hands out as lone surrogates."""
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


def as_text(name: str) -> str:
    """A file's name as text, what is none of it written as escapes."""
    return name.encode("utf-8", "backslashreplace").decode()


def for_libsndfile(path: Path) -> str | bytes:
    """`path` as python-soundfile opens it: it refuses names that are no text, but not their bytes."""
    return str(path) if is_text(str(path)) else os.fsencode(path)
