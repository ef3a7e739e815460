"""The shipped words are what the manifest says, and what a word on court must be; the coach's own go the same way."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from drilltimer.errors import SoundError
from drilltimer.model import LONGEST_CALL_S
from drilltimer.sound.loudness import loudness_lufs
from drilltimer.sound.voice import (
    DIRECTION_LOW_SHARE,
    TARGET_LUFS,
    limit_peaks,
    prepare_word,
    trim,
)
from drilltimer.units import db_from_ratio, ms_from_s, ratio_from_db

Wave = NDArray[np.float64]

SOUNDS = Path(__file__).parents[2] / "sounds"
ENTRIES: list[dict[str, Any]] = json.loads((SOUNDS / "manifest.json").read_text(encoding="utf-8"))["words"]
TEXTS = [entry["text"] for entry in ENTRIES]
RATE_HZ = 48_000

SPOKEN_BY_DRILLS = {
    *("left", "right", "up", "back", "short", "deep", "in front", "ready", "early", "late", "on time", "rest"),
    *("switch", "change", "next station", "well done", "go", "stop", "before", "good", "hop", "contact", "warm up"),
    *("red", "blue", "yellow", "green", "heels up", "wide base", "both feet together", "watch the hitter"),
    *("soft landing", "breathe", "half way", "last round", "finished", "get ready", "one", "two", "three", "four"),
    *("five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen"),
    *("sixteen", "seventeen", "eighteen", "nineteen", "twenty", "hop in time with each contact"),
    *("wait for the call", "stay still when no contact comes", "move on the call"),
}


def read(entry: dict[str, Any]) -> tuple[Wave, int]:
    samples, rate_hz = soundfile.read(SOUNDS / entry["file"], dtype="float64")
    return samples, rate_hz


def rms(wave: Wave) -> float:
    return float(np.sqrt(np.mean(wave**2)))


def share_below_400_hz(wave: Wave, rate_hz: int) -> float:
    power = np.abs(np.fft.rfft(wave, 1 << 16)) ** 2
    return float(np.sum(power[np.fft.rfftfreq(1 << 16, 1 / rate_hz) < 400.0]) / np.sum(power))


# ----------------------------------------------------------------------------------------------- shipped words


def test_every_word_that_drills_speak_is_there() -> None:
    assert set(TEXTS) >= SPOKEN_BY_DRILLS
    assert len(TEXTS) == len(set(TEXTS))


def test_manifest_and_folder_name_the_same_files() -> None:
    assert {entry["file"] for entry in ENTRIES} == {f"en/{path.name}" for path in (SOUNDS / "en").iterdir()}


def test_the_words_stay_small() -> None:
    assert 0.5e6 < sum(path.stat().st_size for path in SOUNDS.rglob("*.wav")) < 6e6


def test_the_notice_gives_credit() -> None:
    notice = (SOUNDS / "NOTICE").read_text(encoding="utf-8")
    for credit in ("hibari-tts 0.2.1", "Maureese Williams", "Kokoro-82M", "hexgrad", "Apache License, Version 2.0"):
        assert credit in notice


@pytest.mark.parametrize("entry", ENTRIES, ids=TEXTS)
def test_a_word_is_what_its_entry_says_and_fit_for_a_court(entry: dict[str, Any]) -> None:
    assert hashlib.sha256((SOUNDS / entry["file"]).read_bytes()).hexdigest() == entry["sha256"]
    assert entry["file"] == "en/" + entry["text"].replace(" ", "-") + ".wav"
    samples, rate_hz = read(entry)
    assert samples.ndim == 1
    assert rate_hz == entry["rate_hz"]
    assert 1e3 * len(samples) / rate_hz == pytest.approx(entry["length_ms"], abs=0.1)
    half = np.searchsorted(np.cumsum(samples**2), 0.5 * np.sum(samples**2))
    assert 1e3 * half / rate_hz == pytest.approx(entry["t50_ms"], abs=0.5)
    # level, and below the peak
    assert db_from_ratio(float(np.max(np.abs(samples)))) <= -1.0 + 0.001
    assert loudness_lufs(samples, rate_hz) == pytest.approx(TARGET_LUFS, abs=0.1)
    # it begins at once and clicks nowhere
    loudest = max(rms(samples[at : at + rate_hz // 200]) for at in range(0, len(samples), rate_hz // 200))
    first_10_ms = samples[: rate_hz // 100]
    assert max(rms(part) for part in np.split(first_10_ms, 10)) > loudest * ratio_from_db(-35.0)
    assert 1.0 <= entry["onset_ms"] < 10.0
    assert abs(samples[0]) < 1e-3
    assert abs(samples[-1]) < 1e-3


@pytest.mark.parametrize("entry", [entry for entry in ENTRIES if entry["called"]], ids=lambda entry: entry["text"])
def test_a_direction_is_short_and_out_of_the_landing_s_band(entry: dict[str, Any]) -> None:
    samples, rate_hz = read(entry)
    assert share_below_400_hz(samples, rate_hz) < 0.055
    assert 200.0 < entry["length_ms"] < ms_from_s(LONGEST_CALL_S)
    # two words cannot come as early as one: those who call it are told
    assert 20.0 < entry["t50_ms"] < (180.0 if entry["text"] == "in front" else 150.0)
    assert (entry["t50_ms"] > 150.0) == any("comes late" in remark for remark in entry["remarks"])


def test_directions_are_called() -> None:
    called = {entry["text"] for entry in ENTRIES if entry["called"]}
    assert called >= {"left", "right", "up", "back", "short", "deep", "red", "blue", "yellow", "green", "one", "nine"}


# ------------------------------------------------------------------------------------------- the coach's own words


def take(
    length_s: float = 0.3, *, pitch_hz: float = 180.0, level: float = 0.2, noise: float = 1e-4, before_s: float = 0.5
) -> Wave:
    """A made-up word in a quiet room: a buzz with formants and a quiet last burst after a gap, as in "left"."""
    rng = np.random.default_rng(4)
    times_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    voiced = sum(
        weight * np.sin(2 * np.pi * pitch_hz * partial * times_s + partial)
        for partial, weight in ((1, 1.0), (2, 0.8), (4, 0.6), (7, 0.5), (11, 0.3), (16, 0.15))
    )
    voiced *= np.sin(np.pi * times_s / length_s) ** 0.5 * np.exp(-times_s / 0.2)  # louder at first, as words are
    burst = 0.006 * rng.standard_normal(round(0.03 * RATE_HZ))
    word = np.concatenate([voiced / np.max(np.abs(voiced)), np.zeros(round(0.05 * RATE_HZ)), burst])
    silence = np.zeros(round(before_s * RATE_HZ))
    wave = level * np.concatenate([silence, word, np.zeros(round(0.4 * RATE_HZ))])
    return wave + noise * rng.standard_normal(len(wave))


def test_a_take_becomes_a_word() -> None:
    word = prepare_word("left", take(), RATE_HZ, direction=True, recorded=True)
    assert word.length_ms == pytest.approx(300 + 50 + 30 + 4 + 12, abs=12)  # voice, gap, burst, lead, tail
    assert word.loudness_lufs == pytest.approx(TARGET_LUFS, abs=0.1)
    assert word.peak_db <= -1.0 + 1e-6
    assert word.low_share <= DIRECTION_LOW_SHARE
    assert 1.0 <= word.onset_ms < 10.0
    assert 80.0 < word.t50_ms < 150.0
    assert word.snr_db is not None
    assert 30.0 < word.snr_db < 70.0
    assert word.samples.dtype == np.float32
    assert word.remarks == (f"long for a direction: {word.length_ms:.0f} ms, under 350 ms is better",)


def test_level_of_the_take_does_not_matter() -> None:
    loud = prepare_word("go", take(level=0.6, noise=0.0), RATE_HZ, direction=True, recorded=False)
    soft = prepare_word("go", take(level=0.006, noise=0.0), RATE_HZ, direction=True, recorded=False)
    np.testing.assert_allclose(loud.samples, soft.samples, atol=1e-6)


def test_the_quiet_end_of_a_word_is_kept() -> None:
    wave = take(noise=0.0)
    trimmed = trim(wave, RATE_HZ)
    assert len(trimmed) / RATE_HZ == pytest.approx(0.396, abs=0.006)
    # the burst lies 35 dB under the vowel: a threshold of -30 dB would have cut 80 ms away
    assert rms(trimmed[-round(0.03 * RATE_HZ) : -round(0.012 * RATE_HZ)]) == pytest.approx(0.2 * 0.006, rel=0.25)


def test_a_word_fades_in_over_3_ms_and_out_over_12() -> None:
    tone = np.sin(2 * np.pi * 3000.0 * np.arange(RATE_HZ // 2) / RATE_HZ)
    faded = np.abs(trim(tone, RATE_HZ)).reshape(-1, 16).max(axis=1)  # a peak in every third of a millisecond
    np.testing.assert_allclose(faded[:9], np.arange(9.0) / 9 + 1 / 18, atol=0.08)
    assert np.all(faded[9:-36] > 0.99)
    np.testing.assert_allclose(faded[-36:], (np.arange(36.0, 0.0, -1.0) / 36) ** 2, atol=0.05)


def test_a_word_with_sharp_peaks_comes_out_as_loud_as_others() -> None:
    wave = take(noise=0.0)
    wave[round(0.5 * RATE_HZ) : round(0.8 * RATE_HZ) : 480] *= 12.0  # 22 dB of crest on top, every 10 ms
    word = prepare_word("tack", wave, RATE_HZ, direction=False, recorded=False)
    assert word.peak_db == pytest.approx(-1.0, abs=0.1)
    assert word.loudness_lufs == pytest.approx(TARGET_LUFS, abs=0.25)


def test_steady_noise_does_not_lengthen_a_word() -> None:
    word = prepare_word("left", take(noise=2e-3), RATE_HZ, direction=True, recorded=True)
    assert 250.0 < word.length_ms < 420.0


def test_a_direction_loses_more_of_the_landing_s_band_than_other_words() -> None:
    direction = prepare_word("deep", take(pitch_hz=190.0), RATE_HZ, direction=True, recorded=False)
    other = prepare_word("deep", take(pitch_hz=190.0), RATE_HZ, direction=False, recorded=False)
    assert direction.low_share <= DIRECTION_LOW_SHARE < other.low_share
    assert direction.corner_hz >= 450.0
    assert other.corner_hz == 400.0


@pytest.mark.parametrize(("direction", "corner_hz", "order"), [(True, 450.0, 8), (False, 400.0, 4)])
def test_the_high_pass_is_butterworth(direction: bool, corner_hz: float, order: int) -> None:
    # closed form: |H(f)|^2 = 1 / (1 + (corner / f)^(2 order)), the bilinear warp is negligible this low
    times_s = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
    tones = np.sin(2 * np.pi * 300.0 * times_s) + np.sin(2 * np.pi * 3000.0 * times_s)
    wave = 0.3 * np.sin(np.pi * times_s / 0.4) ** 2 * tones
    word = prepare_word("two tones", wave, RATE_HZ, direction=direction, recorded=False)
    power = np.abs(np.fft.rfft(word.samples, RATE_HZ)) ** 2  # 1 Hz apart
    lost_db = 10.0 * np.log10(np.sum(power[2950:3050]) / np.sum(power[250:350]))
    assert lost_db == pytest.approx(10.0 * np.log10(1.0 + (corner_hz / 300.0) ** (2 * order)), abs=0.5)


def test_the_corner_rises_until_the_low_share_is_small() -> None:
    times_s = np.arange(RATE_HZ // 4) / RATE_HZ
    wave = np.sin(2 * np.pi * 385.0 * times_s) + 0.2 * np.sin(2 * np.pi * 2000.0 * times_s)
    wave *= 0.2 * np.sin(np.pi * times_s / 0.25)
    word = prepare_word("deep", wave, RATE_HZ, direction=True, recorded=False)
    assert word.corner_hz > 450.0
    assert word.low_share <= DIRECTION_LOW_SHARE


def test_long_directions_are_refused_with_the_figures_and_other_words_are_not() -> None:
    with pytest.raises(SoundError, match=r"'onwards' lasts 5\d\d ms, a direction may last 450 ms"):
        prepare_word("onwards", take(0.45), RATE_HZ, direction=True, recorded=True)
    assert prepare_word("onwards", take(0.45), RATE_HZ, direction=False, recorded=True).length_ms > 450.0


def test_a_slow_direction_is_remarked_on() -> None:
    word = prepare_word("slow", take(0.3)[::-1], RATE_HZ, direction=True, recorded=False)
    assert any("comes late" in remark for remark in word.remarks)


def test_clipped_takes_are_refused_with_the_figures() -> None:
    wave = np.clip(take(level=2.0), -1.0, 1.0)
    with pytest.raises(SoundError, match=r"'left' is clipped: \d+ samples at full scale, first at 0\.5\d s"):
        prepare_word("left", wave, RATE_HZ, direction=True, recorded=True)


def test_one_sample_at_full_scale_is_not_clipping() -> None:
    wave = take()
    wave[len(wave) // 2] = 1.0
    assert prepare_word("left", wave, RATE_HZ, direction=False, recorded=True).length_ms > 0.0


def test_noisy_takes_are_refused_with_the_figures() -> None:
    with pytest.raises(SoundError, match=r"'left' is noisy: the word stands 1\d dB above"):
        prepare_word("left", take(noise=0.012), RATE_HZ, direction=True, recorded=True)


def test_a_word_begun_at_once_is_refused_as_noisy() -> None:
    with pytest.raises(SoundError, match="begun too soon"):
        prepare_word("left", take(before_s=0.0), RATE_HZ, direction=True, recorded=True)


@pytest.mark.parametrize("wave", [np.zeros(RATE_HZ), np.zeros(0), np.ones(100)], ids=["muted", "empty", "too short"])
def test_takes_without_a_word_are_refused(wave: Wave) -> None:
    with pytest.raises(SoundError, match=r"holds no word: \d+ ms, peak"):
        prepare_word("left", wave, RATE_HZ, direction=True, recorded=True)


def test_a_telephone_rate_is_refused() -> None:
    with pytest.raises(SoundError, match="8000 samples a second"):
        prepare_word("left", take()[::6], 8_000, direction=True, recorded=True)


def test_loudness_of_a_full_scale_sine() -> None:
    # ITU-R BS.1770: a 997 Hz sine at 0 dBFS reads -3.01 LKFS; a short one is one shortened block
    for length_s in (0.2, 2.0):
        sine = np.sin(2 * np.pi * 997.0 * np.arange(round(length_s * RATE_HZ)) / RATE_HZ)
        assert loudness_lufs(sine, RATE_HZ) == pytest.approx(-3.01, abs=0.1)


def test_the_peak_limiter_holds_peaks_and_leaves_the_rest() -> None:
    wave = 0.3 * np.sin(2 * np.pi * 500.0 * np.arange(RATE_HZ // 2) / RATE_HZ)
    spiky = wave.copy()
    spiky[12_000] = -3.0
    limited = limit_peaks(spiky, RATE_HZ)
    assert np.max(np.abs(limited)) == pytest.approx(ratio_from_db(-1.0), abs=1e-6)
    far = np.abs(np.arange(len(wave)) - 12_000) > round(0.0045 * RATE_HZ)
    np.testing.assert_array_equal(limited[far], wave[far])
