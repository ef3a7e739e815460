"""Contacts no louder than the noise in their own band: fifteen together are found where one alone is not."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import oaconvolve
from test_align import CUE, RATE_HZ, Practice, uneven

from tests.hearing.beds import babble, notes
from tests.hearing.faint import band_power, own_band

pytestmark = pytest.mark.long

CONTACTS_S = uneven(15, 4, 3.5)
BEDS = {"notes": notes, "babble": babble, "hiss": lambda frames, rate_hz, rng: rng.standard_normal(frames)}


def in_a_small_room(rng):
    """Direct sound, and a tail that falls by 60 dB in 0.45 s and begins 8 dB below it."""
    at_s = np.arange(round(0.3 * RATE_HZ)) / RATE_HZ
    response = 0.06 * rng.standard_normal(len(at_s)) * 10.0 ** (-3.0 * at_s / 0.45)
    response[:40] = 0.0
    response[0] = 1.0
    return response


def swing():
    """A sweep of 350 ms that rises to the contact."""
    at_s = np.arange(round(0.35 * RATE_HZ)) / RATE_HZ
    return 0.4 * np.abs(CUE).max() * (at_s / 0.35) * np.sin(2 * np.pi * (400.0 * at_s + 2500.0 * at_s**2 / 0.7))


def faint(bed, snr_db, *, lead=True, offset_s=2.3, skew_ppm=50.0, seed=1):
    """A recording of `CONTACTS_S`, each contact's power while it sounds `snr_db` over the noise in its own band."""
    rng = np.random.default_rng(seed)
    heard_s = (CONTACTS_S + offset_s) * (1.0 + skew_ppm * 1e-6)
    frames = round((heard_s[-1] + 3.0) * RATE_HZ)
    before = swing() if lead else np.zeros(1)
    heard = oaconvolve(np.concatenate([before, CUE]), in_a_small_room(rng))
    ways = sum(np.exp(-2j * np.pi * np.fft.rfftfreq(frames) * (at_s * RATE_HZ - len(before))) for at_s in heard_s)
    noise = BEDS[bed](frames, RATE_HZ, rng)
    band_hz = own_band(CUE, RATE_HZ)
    growing = np.cumsum(CUE**2)
    sounding = CUE[: int(np.searchsorted(growing, 0.95 * growing[-1]))]
    noise *= np.sqrt(band_power(sounding, band_hz, RATE_HZ) / band_power(noise, band_hz, RATE_HZ)) * 10 ** (
        -snr_db / 20
    )
    return Practice(CONTACTS_S, np.fft.irfft(np.fft.rfft(heard, frames) * ways, frames) + noise)


@pytest.mark.parametrize("lead", [True, False], ids=["swing", "no lead-in"])
@pytest.mark.parametrize("bed", list(BEDS))
def test_contacts_as_loud_as_the_noise_in_their_band_are_found(bed, lead):
    found = faint(bed, 0.0, lead=lead).align()
    assert [(segment.first, segment.last) for segment in found.segments] == [(0, 14)]
    errors_s = [found.clock.recorded_s(at_s) - (at_s + 2.3) * (1.0 + 50e-6) for at_s in (CONTACTS_S[0], CONTACTS_S[-1])]
    np.testing.assert_allclose(errors_s, 0.0, atol=1e-4)


@pytest.mark.parametrize("bed", list(BEDS))
def test_a_wrong_sheet_is_not_found_in_them(bed):
    practice = faint(bed, 3.0)
    for seed in range(100, 106):
        practice.contacts_s = uneven(15, seed, 3.5)
        assert practice.align() is None, seed


def test_a_loud_echo_is_not_taken_for_the_contact():
    """37 ms later, as from a wall 6 m away: by its likeness alone either would do."""
    practice = faint("hiss", 30.0, lead=False)
    practice.recording[592:] += 0.6 * practice.recording[:-592]
    assert practice.align().clock.offset_s == pytest.approx(2.3, abs=1e-4)
