"""The start signature: its bits, its manners, and how it is read again from rooms, telephones and codecs."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import fftconvolve, resample_poly

from drilltimer.recordings.signature import CODE_BITS, LENGTH_S, bits_of, code_of, find_signatures, render_signature
from drilltimer.sim.acoustics import path_response
from drilltimer.sim.settings import PRESETS
from drilltimer.sound.render import CONTACTS, RENDERED, render
from drilltimer.units import db_from_ratio

RATE_HZ = 48_000
CODES = st.integers(0, (1 << CODE_BITS) - 1)


@given(CODES)
def test_a_code_comes_back_from_its_bits(code):
    assert code_of(bits_of(code)) == code


@given(CODES, st.integers(0, 31), st.integers(0, 31))
def test_one_or_two_wrong_bits_are_noticed(code, first, second):
    """A CRC-8 of this polynomial has distance 4 up to 119 bits (Koopman and Chakravarty 2004, from memory)."""
    bits = bits_of(code)
    for place in {first, second}:
        bits[place] = not bits[place]
    assert code_of(bits) is None


def test_the_check_sum_is_a_crc():
    """Against long division by hand in another form: a CRC is linear but for its start."""
    zero = bits_of(0)[CODE_BITS:]

    def check(code):
        return [a ^ b for a, b in zip(bits_of(code)[CODE_BITS:], zero, strict=True)]

    for a, b in ((0x123456, 0xABCDEF), (1, 2), (0x800000, 0x7FFFFF)):
        assert check(a ^ b) == [x ^ y for x, y in zip(check(a), check(b), strict=True)]
    assert check(1) == [bool(0x07 >> place & 1) for place in reversed(range(8))]


@pytest.mark.parametrize("code", [-1, 1 << CODE_BITS])
def test_a_code_that_does_not_fit_is_refused(code):
    with pytest.raises(ValueError, match="24 bits"):
        bits_of(code)


# ---------------------------------------------------------------- its manners


@pytest.mark.parametrize("rate_hz", [8000, 44_100, 48_000, 96_000])
def test_it_is_soft_swells_and_keeps_out_of_the_landings_band(rate_hz):
    sound = render_signature(0xA5C3F0, rate_hz)
    wave = sound.samples.astype(np.float64)
    assert len(wave) == round(LENGTH_S * rate_hz)
    assert db_from_ratio(float(np.max(np.abs(wave)))) == pytest.approx(-20.0, abs=0.1)
    first = wave[: round(0.002 * rate_hz)]
    assert np.max(np.abs(first)) < 0.1 * np.max(np.abs(wave)), "it starts abruptly"
    below = np.abs(np.fft.rfft(wave))[: round(400 * len(wave) / rate_hz)]
    assert np.sum(below**2) < 1e-3 * np.sum(np.abs(np.fft.rfft(wave)) ** 2)


@pytest.mark.parametrize(
    "contact", [name for name in CONTACTS if name != "knock"]
)  # only groups have it, without sheets
@pytest.mark.parametrize("seed", range(3))
def test_it_does_not_resemble_a_contact(contact, seed):
    """Normalised cross-correlation at every lag; two contacts of different kinds reach 0.2 to 0.3."""
    code = int(np.random.default_rng(seed).integers(1 << CODE_BITS))
    wave = render_signature(code, RATE_HZ).samples.astype(np.float64)
    cue = render(contact, RATE_HZ).samples.astype(np.float64)
    cross = np.abs(fftconvolve(wave, cue[::-1], mode="valid"))
    power = fftconvolve(wave**2, np.ones(len(cue)), mode="valid")
    loud = power > 0.1 * power.max()
    assert np.max(cross[loud] / np.sqrt(power[loud] * np.dot(cue, cue))) < 0.3


# ---------------------------------------------------------------- heard again


def heard(signal, rate_hz=RATE_HZ):
    def read(start, frames):
        out = np.zeros(frames)
        piece = signal[max(start, 0) : start + frames]
        out[: len(piece)] = piece
        return out

    return list(find_signatures(read, len(signal), rate_hz))


def around(code, rate_hz=RATE_HZ, before_s=3.3):
    silence = np.zeros(round(before_s * rate_hz))
    return np.concatenate([silence, render_signature(code, rate_hz).samples, np.zeros(rate_hz)])


@pytest.mark.parametrize("rate_hz", [8000, 11_025, 16_000, 22_050, 44_100, 48_000, 96_000])
def test_it_is_read_at_every_rate(rate_hz):
    signal = resample_poly(around(0x5A0FF3), rate_hz, RATE_HZ)
    signal = signal + 1e-4 * np.random.default_rng(1).standard_normal(len(signal))
    (found,) = [each for each in heard(signal, rate_hz) if code_of(each.bits) is not None]
    assert code_of(found.bits) == 0x5A0FF3
    assert found.at_s == pytest.approx(3.3, abs=2e-3)


@pytest.mark.parametrize(
    ("room", "distance_m", "snr_db"),
    [("quiet", 0.5, 20), ("hall", 0.5, 0), ("hall", 4.0, 6), ("squash", 0.5, 0), ("club", 4.0, 0), ("court", 8.0, -6)],
)
def test_it_is_read_in_rooms_and_noise(room, distance_m, snr_db):
    rng = np.random.default_rng(2)
    codes = [int(code) for code in rng.integers(1 << CODE_BITS, size=3)]
    for code in codes:
        way = path_response(PRESETS[room], RATE_HZ, distance_m, code % 100, from_floor=False)
        clean = fftconvolve(around(code), way)
        power = np.mean(clean[round(3.3 * RATE_HZ) : round((3.3 + LENGTH_S) * RATE_HZ)] ** 2)
        noisy = clean + np.sqrt(power) * 10 ** (-snr_db / 20) * rng.standard_normal(len(clean))
        assert code in [code_of(found.bits) for found in heard(noisy)]


@pytest.mark.parametrize("kind", ["OGG", "MP3"])
def test_it_survives_lossy_coding_and_a_clock_1000_ppm_off(tmp_path, kind):
    signal = around(0xC0FFEE)
    skewed = np.interp(np.arange(0, len(signal) - 1, 1.001), np.arange(len(signal)), signal)
    soundfile.write(tmp_path / "x", skewed, RATE_HZ, format=kind)
    back, rate_hz = soundfile.read(tmp_path / "x")
    assert [code_of(found.bits) for found in heard(back, rate_hz)] == [0xC0FFEE]


def test_two_in_one_recording_are_both_found_over_a_pieces_edge():
    signal = np.concatenate([around(0x111111, before_s=28.9), around(0x222222, before_s=20.0)])
    found = heard(signal + 1e-4 * np.random.default_rng(3).standard_normal(len(signal)))
    assert [code_of(each.bits) for each in found] == [0x111111, 0x222222]


def test_noise_silence_and_the_drills_own_sounds_hold_none():
    rng = np.random.default_rng(4)
    assert heard(np.zeros(60 * RATE_HZ)) == []
    assert [each for each in heard(0.1 * rng.standard_normal(120 * RATE_HZ)) if code_of(each.bits) is not None] == []
    sounds = [render(name, RATE_HZ, 0.5 if name == "swing" else None).samples for name in RENDERED]
    own = np.concatenate([np.pad(sound, (RATE_HZ // 3, RATE_HZ // 3)) for sound in sounds * 4])
    own = own + 1e-3 * rng.standard_normal(len(own))
    assert [each for each in heard(own) if code_of(each.bits) is not None] == []
