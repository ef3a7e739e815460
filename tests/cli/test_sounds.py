"""`drilltimer sounds`: what is listed, what is played, and a coach's own word from the microphone to the drill."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from drilltimer.app.plan import load_bank, make_plan
from drilltimer.app.sounds import QUIET_S, SETTLE_S, TAKE_S, play_sound, record_word, sound_catalogue
from drilltimer.audio.files import load_word, shipped_folder, shipped_onsets_ms
from drilltimer.cli import main
from drilltimer.errors import SoundError
from drilltimer.model import Block, Cue, Health, Rep, Samples, Sound
from drilltimer.session import place_cues
from drilltimer.sound.render import CONTACTS, RENDERED
from drilltimer.sound.voice import onset_frame

RATE_HZ = 48_000
BLOCK = 1024
MANIFEST = json.loads((shipped_folder("sounds") / "manifest.json").read_text(encoding="utf-8"))["words"]


class Desk:
    """A stream whose microphone hears what it is given, channel by channel, and which notes what is played."""

    rate_hz = RATE_HZ
    output_channels = 2

    def __init__(self, heard: Sequence[Samples], xrun_at_s: float | None = None) -> None:
        self.heard = np.column_stack(heard).astype(np.float32)
        self.input_channels = self.heard.shape[1]
        self.xrun = None if xrun_at_s is None else round(xrun_at_s * RATE_HZ)
        self.played: list[tuple[int, Sound]] = []
        self.now = 0
        self.closed = False

    def start(self) -> None:
        self.now = 0

    def play(self, start: int, sound: Sound, cue: Cue, rep: Rep | None = None) -> None:
        self.played.append((start, sound))

    def silence(self) -> None:
        self.played.clear()

    def read(self) -> Block:
        start, self.now = self.now, self.now + BLOCK
        samples = np.zeros((BLOCK, self.input_channels), np.float32)
        part = self.heard[start : start + BLOCK]
        samples[: len(part)] = part
        lost = self.xrun is not None and start <= self.xrun < start + BLOCK
        return Block(start, samples, np.zeros((BLOCK, 2), np.float32), lost)

    def health(self) -> Health:
        return Health()

    def close(self) -> None:
        self.closed = True


def room(noise: float = 1e-4, seed: int = 1) -> Samples:
    """Five seconds of a quiet room."""
    return (noise * np.random.default_rng(seed).standard_normal(5 * RATE_HZ)).astype(np.float32)


def spoken(length_s: float = 0.3, level: float = 0.2, at_s: float = SETTLE_S + QUIET_S + 0.5) -> Samples:
    """A buzz in the place of a voice, between 600 and 3000 Hz, in a quiet room."""
    times_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    voice = sum(np.sin(2 * np.pi * 150.0 * n * times_s + n * n) for n in range(4, 21)) / 6.0
    voice *= np.sin(np.pi * times_s / length_s) ** 0.5
    heard = room()
    first = round(at_s * RATE_HZ)
    heard[first : first + len(voice)] += level * voice
    return heard


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


# ------------------------------------------------------------------------------------------------ list, play, anchors


def test_every_sound_is_listed_below_the_peak() -> None:
    entries = {entry.name: entry for entry in sound_catalogue()}
    assert set(RENDERED) <= set(entries)
    assert {entry["text"] for entry in MANIFEST} <= set(entries)
    assert all(-20.0 < entry.peak_db <= -0.99 for entry in entries.values())
    assert (entries["smack"].kind, entries["left"].kind) == ("formula", "word")
    assert entries["swing"].anchor_ms == pytest.approx(350.0, abs=0.1)  # a swing's moment is its end
    assert entries["smack"].anchor_ms == 0.0


def test_the_list_is_for_people_and_for_programs() -> None:
    text = CliRunner().invoke(main, ["sounds"])
    listed = json.loads(CliRunner().invoke(main, ["sounds", "--json"]).stdout)
    assert len(text.stdout.splitlines()) == len(listed) + 1
    assert {"name", "kind", "length_ms", "anchor_ms", "peak_db"} == set(listed[0])


def test_a_shipped_word_s_anchor_is_its_measured_onset() -> None:
    for entry in MANIFEST:
        text = str(entry["text"])
        word = load_word(text)
        assert word is not None, text
        onset_ms = 1e3 * word.anchor / word.rate_hz
        assert onset_ms == pytest.approx(float(str(entry["onset_ms"])), abs=0.03), text
        assert onset_ms == pytest.approx(1e3 * onset_frame(word.samples, word.rate_hz) / word.rate_hz, abs=1.01), text
        assert 0.0 <= onset_ms < 15.0, text


def test_a_call_s_onset_falls_on_its_moment() -> None:
    plan = make_plan("direction", 1)
    bank = load_bank(plan, RATE_HZ)
    plays = [play for rep in plan.reps for play in place_cues(rep, bank, RATE_HZ) if play.cue.role == "call"]
    assert len(plays) > 15
    for play in plays:
        moment = (play.rep.start_s + play.cue.at_s) * RATE_HZ
        assert play.sound.anchor > 0
        assert play.start + play.sound.anchor == pytest.approx(moment, abs=1.0)


def test_a_sound_is_played_to_its_end() -> None:
    desk = Desk([room()])
    sound = play_sound("left", desk)
    assert [played.name for _, played in desk.played] == ["left"]
    assert desk.now >= round(SETTLE_S * RATE_HZ) + len(sound.samples)
    assert desk.closed


def test_a_misspelt_sound_is_told_before_any_device_is_opened() -> None:
    answer = CliRunner().invoke(main, ["sounds", "play", "lefft"])
    assert answer.exit_code == 2
    assert "there is no sound for 'lefft'" in answer.stderr


# ------------------------------------------------------------------------------------------------------------ record


def test_a_recorded_word_goes_through_the_same_steps_and_replaces_the_shipped_one(home: Path) -> None:
    asked: list[str] = []
    desk = Desk([room(), spoken()])  # the second channel hears more
    path, word = record_word("left", desk, call=None, ask=asked.append)
    assert path == home / "sounds/en/left.wav"
    assert asked == ["say: left"]
    assert word.length_ms == pytest.approx(300.0, abs=40.0)
    assert word.loudness_lufs == pytest.approx(-18.0, abs=0.3)
    assert word.peak_db <= -0.99
    assert word.low_share <= 0.05
    assert word.snr_db is not None
    assert word.snr_db > 40.0
    kept = load_word("left")
    assert kept is not None
    assert kept.rate_hz == RATE_HZ
    np.testing.assert_allclose(kept.samples, word.samples, atol=1e-6)
    assert 1e3 * kept.anchor / RATE_HZ == pytest.approx(word.onset_ms, abs=0.05)
    assert {entry.name: entry.kind for entry in sound_catalogue()}["left"] == "own"
    assert desk.closed


def test_the_microphone_is_listened_to_for_as_long_as_is_said() -> None:
    desk = Desk([spoken(at_s=SETTLE_S + QUIET_S + TAKE_S - 0.5)])
    record_word("wide", desk, call=True, ask=lambda _: None)
    assert desk.now / RATE_HZ == pytest.approx(SETTLE_S + QUIET_S + TAKE_S, abs=BLOCK / RATE_HZ)


@pytest.mark.parametrize(
    ("heard", "words"),
    [
        (spoken(0.6), r"'left' lasts 6\d\d ms, a direction may last 450 ms"),
        (np.clip(spoken(level=2.0), -1.0, 1.0), "is clipped: .* samples at full scale, first at"),
        (spoken(level=0.001), r"is noisy: the word stands -?\d+ dB above"),
        (np.zeros(5 * RATE_HZ), "holds no word: .* peak 0.000"),
    ],
    ids=["long", "clipped", "noisy", "muted"],
)
def test_an_unusable_take_is_refused_with_the_figures_and_nothing_is_kept(
    heard: Samples, words: str, home: Path
) -> None:
    with pytest.raises(SoundError, match=words):
        record_word("left", Desk([heard]), call=None, ask=lambda _: None)
    assert not (home / "sounds").exists()


def test_a_line_may_be_long() -> None:
    _, word = record_word("push off", Desk([spoken(1.0)]), call=None, ask=lambda _: None)
    assert word.length_ms > 900.0


def test_lost_sound_spoils_a_take() -> None:
    with pytest.raises(SoundError, match="sound was lost while 'left' was recorded"):
        record_word("left", Desk([spoken()], xrun_at_s=1.5), call=None, ask=lambda _: None)


@pytest.mark.parametrize("name", ["", "../left", "Left", "a/b", "x" * 41, "left!"])
def test_a_word_needs_a_name_that_drills_can_write(name: str) -> None:
    desk = Desk([spoken()])
    with pytest.raises(SoundError, match="cannot be the name of a word"):
        record_word(name, desk, call=None, ask=lambda _: None)
    assert desk.closed


def test_a_folder_that_cannot_be_written_is_told(home: Path) -> None:
    home.mkdir()
    (home / "sounds").write_text("in the way")
    with pytest.raises(SoundError, match="cannot be written"):
        record_word("left", Desk([spoken()]), call=None, ask=lambda _: None)


# --------------------------------------------------------------------------------------------- files put there by hand


def test_a_loud_file_is_turned_down_to_the_peak(home: Path) -> None:
    (home / "sounds/en").mkdir(parents=True)
    soundfile.write(home / "sounds/en/wide.wav", np.clip(8.0 * spoken(), -1.0, 1.0), RATE_HZ, subtype="FLOAT")
    word = load_word("wide")
    assert word is not None
    assert float(np.max(np.abs(word.samples))) == pytest.approx(10.0 ** (-1.0 / 20.0), abs=1e-4)


@pytest.mark.parametrize("name", CONTACTS)
def test_what_stands_in_for_a_contact_begins_at_once(name: str, home: Path) -> None:
    (home / "sounds/en").mkdir(parents=True)
    late = np.concatenate([np.zeros(4800), 0.5 * np.ones(480)])  # 100 ms of silence before it
    soundfile.write(home / f"sounds/en/{name}.wav", late, RATE_HZ, subtype="FLOAT")
    sound = load_word(name)
    assert sound is not None
    assert (sound.anchor, len(sound.samples)) == (0, 480)


def test_a_recorded_swing_sounds_before_the_contact_and_not_after_it(home: Path) -> None:
    (home / "sounds/en").mkdir(parents=True)
    soundfile.write(home / "sounds/en/swing.wav", 0.5 * np.ones(round(0.4 * RATE_HZ)), RATE_HZ, subtype="FLOAT")
    plan = make_plan("test-block", 1)
    bank = load_bank(plan, RATE_HZ)
    swings = [play for rep in plan.reps for play in place_cues(rep, bank, RATE_HZ) if play.cue.sound == "swing"]
    assert len(swings) > 10
    for play in swings:
        contact = round(play.rep.contact_s * RATE_HZ)
        assert play.start + len(play.sound.samples) == pytest.approx(contact, abs=2)


def test_a_folder_without_a_manifest_has_no_onsets(tmp_path: Path) -> None:
    assert shipped_onsets_ms(tmp_path) == {}


@pytest.mark.audio
def test_a_sound_is_played_on_a_real_stream(sound_card: object) -> None:
    answer = CliRunner().invoke(main, ["sounds", "play", "left", "--input", "dt_room", "--output", "dt_room"])
    assert answer.exit_code == 0, answer.stderr


@pytest.mark.audio
def test_a_room_without_a_word_in_it_is_refused_on_a_real_stream(sound_card: object, home: Path) -> None:
    answer = CliRunner().invoke(main, ["sounds", "record", "left", "--input", "dt_room", "--output", "dt_room"])
    assert answer.exit_code == 2
    assert "say: left" in answer.stderr
    assert "holds no word" in answer.stderr or "is noisy" in answer.stderr
    assert not (home / "sounds").exists()
