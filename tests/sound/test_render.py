"""Sounds from formula: what makes a contact easy to find, and what keeps everything else from looking like one."""

from __future__ import annotations

import hashlib
import subprocess
import sys

import numpy as np
import pytest
from numpy.typing import NDArray

from drilltimer.errors import SoundError
from drilltimer.model import Cue, Sound
from drilltimer.sound import contact
from drilltimer.sound.bank import build_bank, resample
from drilltimer.sound.render import CONTACTS, RENDERED, render
from drilltimer.units import db_from_ratio

Wave = NDArray[np.float64]

RATES_HZ = (44_100, 48_000, 96_000)
ALL_RATES_HZ = (8_000, 22_050, *RATES_HZ, 192_000)
FREE_LEAD_INS = ("toss", "bounce", "tick", "swing")
TONES = ("tone_early", "tone_late", "tone_on_time")


def wave_of(name: str, rate_hz: int = 48_000) -> Wave:
    return render(name, rate_hz).samples.astype(np.float64)


def envelope(wave: Wave) -> Wave:
    """Magnitude of the analytic signal."""
    n = len(wave)
    keep = np.zeros(n)
    keep[0], keep[1 : (n + 1) // 2] = 1.0, 2.0
    if n % 2 == 0:
        keep[n // 2] = 1.0
    return np.abs(np.fft.ifft(np.fft.fft(wave) * keep))


def correlation(first: Wave, second: Wave) -> Wave:
    """Normalised cross-correlation over all lags, zero lag in the middle, long enough for smooth envelopes."""
    n = 1 << int(2 * max(len(first), len(second))).bit_length()
    spectrum = np.fft.rfft(first, n) * np.conj(np.fft.rfft(second, n))
    return np.fft.fftshift(np.fft.irfft(spectrum, n)) / np.sqrt(np.sum(first**2) * np.sum(second**2))


def width_ms(curve: Wave, level: float, rate_hz: int) -> float:
    """Full width of the middle lobe of a symmetric curve at `level`, between frames by straight lines."""
    middle = len(curve) // 2
    after = middle + int(np.argmax(curve[middle:] <= level))
    over = curve[after - 1] - level
    crossing = after - 1 + over / (curve[after - 1] - curve[after])
    return 2e3 * (crossing - middle) / rate_hz


def share_below(wave: Wave, top_hz: float, rate_hz: int) -> float:
    n = 1 << 18  # fine enough for 55 ms at 192 kHz, and no leakage from a window
    power = np.abs(np.fft.rfft(wave, n)) ** 2
    return float(np.sum(power[np.fft.rfftfreq(n, 1 / rate_hz) < top_hz]) / np.sum(power))


# Lobe widths and side lobes were measured on prototypes of these formulas with 48 kHz; the arrival errors that they
# gave in simulated rooms (within 0.075 ms from 6 dB up) hang on them.
@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(
    ("name", "at_3_db_ms", "at_6_db_ms", "correlation_half_ms", "side_lobe_db", "beyond_ms"),
    [
        ("smack", 0.23, 0.33, 0.12, -18.5, 0.6),
        ("tock", 0.23, 0.33, 0.11, -21.6, 0.6),
        ("racket", 0.31, 0.45, 0.14, -15.7, 0.6),
        ("knock", 0.65, 0.92, 0.21, -19.4, 1.2),  # a band half as wide has no narrower lobe
        ("snap", 0.30, 0.43, 0.08, -20.1, 0.6),
    ],
)
def test_a_contact_has_one_sharp_lobe(
    name: str,
    at_3_db_ms: float,
    at_6_db_ms: float,
    correlation_half_ms: float,
    side_lobe_db: float,
    beyond_ms: float,
    rate_hz: int,
) -> None:
    wave = wave_of(name, rate_hz)
    auto = correlation(wave, wave)
    lobes = envelope(auto)
    assert width_ms(lobes, 2**-0.5, rate_hz) == pytest.approx(at_3_db_ms, abs=0.03)
    assert width_ms(lobes, 0.5, rate_hz) == pytest.approx(at_6_db_ms, abs=0.03)
    assert width_ms(auto, 0.5, rate_hz) == pytest.approx(correlation_half_ms, abs=0.02)
    beyond = len(lobes) // 2 + round(beyond_ms * rate_hz / 1e3)
    assert db_from_ratio(float(np.max(lobes[beyond:]))) == pytest.approx(side_lobe_db, abs=1.5)


@pytest.mark.parametrize("rate_hz", ALL_RATES_HZ)
def test_contacts_can_be_told_apart(rate_hz: int) -> None:
    waves = [wave_of(name, rate_hz) for name in CONTACTS]
    # Below 16 kHz of rate half of the band is missing, and with it half of what tells them apart.
    limit = 0.33 if rate_hz > 16_000 else 0.47
    for index, first in enumerate(waves):
        assert np.max(envelope(correlation(first, first))) == pytest.approx(1.0, abs=1e-6)
        for second in waves[:index]:
            assert np.max(envelope(correlation(first, second))) < limit


@pytest.mark.parametrize("contact_name", CONTACTS)
@pytest.mark.parametrize("name", [*FREE_LEAD_INS, *TONES])
def test_no_other_sound_looks_like_a_contact(contact_name: str, name: str) -> None:
    # in the knock's half of the band a count-in's tone counts for more
    limit = 0.36 if (contact_name, name) == ("knock", "tick") else 0.30
    assert np.max(envelope(correlation(wave_of(contact_name), wave_of(name)))) < limit


@pytest.mark.parametrize("rate_hz", [8_000, 48_000, 192_000])
@pytest.mark.parametrize("name", CONTACTS)
def test_a_contact_leaves_the_landing_s_band_alone_and_is_short(name: str, rate_hz: int) -> None:
    wave = wave_of(name, rate_hz)
    assert share_below(wave, 400.0, rate_hz) < 0.001
    assert share_below(wave, 600.0, rate_hz) < 0.01
    assert 0.020 < len(wave) / rate_hz < 0.060


@pytest.mark.parametrize("name", [*FREE_LEAD_INS, *TONES])
def test_other_sounds_leave_it_alone_too(name: str) -> None:
    assert share_below(wave_of(name), 400.0, 48_000) < 0.001


@pytest.mark.parametrize("rate_hz", [8_000, 48_000, 192_000])
@pytest.mark.parametrize("name", RENDERED)
def test_peaks_and_ends(name: str, rate_hz: int) -> None:
    sound = render(name, rate_hz)
    assert (sound.name, sound.rate_hz, sound.samples.dtype) == (name, rate_hz, np.float32)
    assert -20.0 < db_from_ratio(float(np.max(np.abs(sound.samples)))) <= -1.0 + 1e-4
    # nothing clicks: the last frame is at least 60 dB under the peak
    assert abs(sound.samples[-1]) < 1e-3 * np.max(np.abs(sound.samples))


@pytest.mark.parametrize("name", RENDERED)
@pytest.mark.parametrize("rate_hz", [8_000, 11_025])
def test_nothing_folds_back_at_low_rates(name: str, rate_hz: int) -> None:
    # a partial above half the rate would come back as a false tone between here and there
    assert 1.0 - share_below(wave_of(name, rate_hz), 0.46 * rate_hz, rate_hz) < 1e-3


def test_a_string_mode_beyond_a_low_rate_is_left_out() -> None:
    # the mode at 620 * 7.6 = 4712 Hz would come back at 8000 - 4712 = 3288 Hz, between two true ones
    levels_db = []
    for rate_hz in (8_000, 48_000):
        wave = contact._strings(620.0, rate_hz)
        turns = np.exp(-2j * np.pi * 3288.0 * np.arange(len(wave)) / rate_hz)
        levels_db.append(db_from_ratio(float(np.abs(wave @ turns)) / rate_hz))
    assert levels_db[0] == pytest.approx(levels_db[1], abs=3.0)


@pytest.mark.parametrize("name", CONTACTS)
def test_a_contact_uses_the_whole_peak_and_is_all_there_at_once(name: str) -> None:
    wave = wave_of(name)
    assert db_from_ratio(float(np.max(np.abs(wave)))) == pytest.approx(-1.0, abs=0.01)
    rise_ms = (np.argmax(envelope(wave)) - np.argmax(envelope(wave) > 0.1 * np.max(envelope(wave)))) / 48.0
    assert 0.1 < rise_ms < (0.9 if name == "knock" else 0.6)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("length_s", [None, 0.1, 0.35, 1.0])
def test_a_swing_ends_at_its_anchor(length_s: float | None, rate_hz: int) -> None:
    swing = render("swing", rate_hz, length_s)
    assert swing.anchor == len(swing.samples) - 1
    assert swing.anchor == round((length_s or 0.35) * rate_hz)
    assert swing.samples[swing.anchor] == 0.0


def test_a_swing_rises_in_level_and_pitch_18_db_under_the_contact() -> None:
    swing = wave_of("swing")
    gap_db = db_from_ratio(float(np.max(np.abs(wave_of("smack"))) / np.max(np.abs(swing))))
    assert gap_db == pytest.approx(18.0, abs=0.01)
    quarters = np.split(swing[:-1], 4)
    levels = [float(np.sqrt(np.mean(quarter**2))) for quarter in quarters]
    assert levels == sorted(levels)
    assert levels[3] > 5 * levels[0]
    centres_hz = []
    for quarter in quarters:
        power = np.abs(np.fft.rfft(quarter)) ** 2
        centres_hz.append(float(np.sum(np.fft.rfftfreq(len(quarter), 1 / 48_000) * power) / np.sum(power)))
    # the centre glides from 800 to 2600 Hz by equal ratios; each quarter is weighted towards its louder end
    for centre_hz, share in zip(centres_hz, (0.19, 0.40, 0.64, 0.88), strict=True):
        assert centre_hz == pytest.approx(800.0 * (2600.0 / 800.0) ** share, rel=0.10)


@pytest.mark.parametrize(
    ("name", "notes", "pitch_hz"), [("tone_early", 2, 1480.0), ("tone_late", 3, 659.0), ("tone_on_time", 1, 988.0)]
)
def test_feedback_is_told_by_pitch_and_number_of_notes(name: str, notes: int, pitch_hz: float) -> None:
    wave = wave_of(name)
    levels = np.sqrt(np.mean(wave[: 50 * 240].reshape(50, 240) ** 2, axis=1))  # of 5 ms each
    loud = levels > 0.3 * np.max(levels)
    assert np.sum(np.diff(loud.astype(int)) == 1) == notes
    power = np.abs(np.fft.rfft(wave, 1 << 17))
    assert np.argmax(power) * 48_000 / (1 << 17) == pytest.approx(pitch_hz, rel=0.01)
    assert len(wave) / 48_000 == pytest.approx(0.25, abs=0.001)


@pytest.mark.parametrize("name", RENDERED)
def test_a_rate_is_a_way_of_sampling_one_sound(name: str) -> None:
    # 96 kHz holds every frame of 48 kHz: the same formula must give the same waveform there
    coarse, fine = wave_of(name, 48_000), wave_of(name, 96_000)[::2]
    n = min(len(coarse), len(fine))
    coarse, fine = coarse[:n], fine[:n]
    assert float(coarse @ fine / np.sqrt((coarse @ coarse) * (fine @ fine))) > 0.995


# Stable across machines: the search for the crack does not amplify last-bit differences (1e-14 in its phases comes out
# as 1e-13, measured), far from the 3e-5 of a 16-bit step.
DIGESTS = {
    "smack": "5b57d02e690bd23e",
    "tock": "e8c549295b6ac3f3",
    "racket": "f30b9707f466a638",
    "knock": "ab1c431f4bc9495a",
    "snap": "0420eb6b6f9933b2",
    "toss": "8926f4fed52e5806",
    "bounce": "77000de310d4be50",
    "tick": "f261e02c3a0532c9",
    "tone_early": "93b6429bf18e5d84",
    "tone_late": "00998c17b898af6c",
    "tone_on_time": "31ae7fa2eb685b76",
    "tone_left": "729cdb0899d89376",
    "tone_right": "5fa617e1deb69bba",
    "swing": "f6de94b29f9150ad",
}


def digest(sound: Sound) -> str:
    return hashlib.sha256(np.round(sound.samples * 32767.0).astype("<i2").tobytes()).hexdigest()[:16]


@pytest.mark.parametrize("name", RENDERED)
def test_the_samples_are_part_of_the_cue(name: str) -> None:
    assert digest(render(name, 48_000)) == DIGESTS[name]


def test_another_process_renders_the_same() -> None:
    code = (
        "import numpy as np; from drilltimer.sound.render import render;"
        "import sys; sys.stdout.buffer.write(render('smack', 44_100).samples.tobytes())"
    )
    other = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True).stdout
    np.testing.assert_array_equal(np.frombuffer(other, np.float32), render("smack", 44_100).samples)


@pytest.mark.parametrize(("wrong", "near"), [("smak", "smack"), ("tone-late", "tone_late"), ("zzz", "swing")])
def test_an_unknown_name_lists_near_ones(wrong: str, near: str) -> None:
    with pytest.raises(SoundError, match=f"'{wrong}'(?s:.*){near}"):
        render(wrong, 48_000)


@pytest.mark.parametrize("rate_hz", [0, 7_999, 192_001])
def test_rates_out_of_range_are_refused(rate_hz: int) -> None:
    with pytest.raises(SoundError, match=f"{rate_hz} Hz"):
        render("smack", rate_hz)


@pytest.mark.parametrize("length_s", [0.0, 0.049, 3.01, float("nan"), float("inf")])
def test_a_swing_too_short_or_long_is_refused(length_s: float) -> None:
    with pytest.raises(SoundError, match="a swing cannot last"):
        render("swing", 48_000, length_s)


def test_only_a_swing_is_made_to_measure() -> None:
    with pytest.raises(SoundError, match="length of 'smack' is fixed"):
        render("smack", 48_000, 0.1)


# ------------------------------------------------------------------------------------------------- the bank


def no_words(name: str) -> Sound | None:
    return None


def test_the_bank_holds_each_sound_once_by_name_and_length() -> None:
    cues = [
        Cue("precue", "swing", 0.5, length_s=0.2),
        Cue("precue", "swing", 0.5, length_s=0.3),
        Cue("contact", "smack", 0.5),
        Cue("contact", "smack", 0.9),
    ]
    asked = []
    bank = build_bank(cues, 48_000, asked.append)
    assert asked == ["swing", "swing", "smack"]
    assert set(bank) == {("swing", 0.2), ("swing", 0.3), ("smack", None)}
    assert bank["swing", 0.3].anchor == round(0.3 * 48_000)


def test_words_come_at_the_output_s_rate_with_their_anchor() -> None:
    tone = np.sin(2 * np.pi * 1000 * np.arange(2400) / 24_000).astype(np.float32)
    bank = build_bank([Cue("call", "left", 0.2)], 44_100, lambda name: Sound(name, tone, 24_000, anchor=120))
    word = bank["left", None]
    assert (word.rate_hz, word.anchor) == (44_100, round(120 * 44_100 / 24_000))
    assert len(word.samples) == 4410
    expected = np.sin(2 * np.pi * 1000 * np.arange(4410) / 44_100)
    np.testing.assert_allclose(word.samples[200:-200], expected[200:-200], atol=2e-3)


def test_a_recording_replaces_a_formula() -> None:
    own = Sound("smack", np.ones(8, dtype=np.float32), 48_000)
    assert build_bank([Cue("contact", "smack", 0.0)], 48_000, lambda name: own)["smack", None] is own


@pytest.mark.parametrize(("recorded_s", "heard_s"), [(0.8, 0.5), (0.3, 0.3)])
def test_a_recorded_swing_ends_at_the_contact_and_begins_no_sooner_than_asked(recorded_s, heard_s):
    rush = np.linspace(0.0, 0.5, round(recorded_s * 48_000), dtype=np.float32)
    own = Sound("swing", rush, 48_000, anchor=len(rush) - 1)
    swing = build_bank([Cue("precue", "swing", 0.5, length_s=0.5)], 48_000, lambda name: own)["swing", 0.5]
    assert len(swing.samples) == pytest.approx(heard_s * 48_000, abs=1)
    assert swing.anchor == len(swing.samples) - 1
    assert swing.samples[-1] == rush[-1]
    assert swing.samples[0] == 0.0
    np.testing.assert_array_equal(swing.samples[480:], rush[len(rush) - len(swing.samples) + 480 :])


def test_a_missing_word_is_named_with_what_to_do() -> None:
    with pytest.raises(SoundError, match=r"(?s)'banana' \(call\).*drilltimer sounds record \"banana\""):
        build_bank([Cue("call", "banana", 0.2)], 48_000, no_words)


def test_a_sound_at_the_right_rate_is_left_alone() -> None:
    sound = render("tick", 48_000)
    assert resample(sound, 48_000) is sound
