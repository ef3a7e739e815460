"""Where sounds begin: pieces against closed forms, the whole against impacts put into noise by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from drilltimer.hear.onsets import find_candidates, lateness_ms, scatter_ms, split_gain
from drilltimer.hear.picture import BANDS, Leftover, band_powers, fit_predictor, leftover_share, own_powers

RATE_HZ = 16_000


def white(frames, seed=0, level=1.0):
    return level * np.random.default_rng(seed).standard_normal(frames)


def impact(peak, seed=3):
    """A dull thud with a slap on top, its first sample audible."""
    t = np.arange(2400) / RATE_HZ
    slap = np.exp(-t / 0.004) * np.random.default_rng(seed).standard_normal(2400)
    thud = np.exp(-t / 0.03) * np.sin(2 * np.pi * 110 * t) + 0.5 * slap
    return peak * thud / np.abs(thud).max()


def none_of_ours(frames):
    return [Leftover(own_powers(np.zeros(frames), RATE_HZ), np.zeros(BANDS))]


@pytest.mark.parametrize("ratio", [6.0, 30.0])
def test_noise_that_swells_at_once_is_a_rise_where_it_does(ratio):
    """Two variances and the moment between them: what the picker looks for, and nothing else."""
    misses_ms = []
    for seed in range(12):
        at = 9000 + 41 * seed
        signal = white(20_000, seed)
        signal[at : at + 1600] *= ratio
        strongest = max(
            find_candidates(signal, none_of_ours(20_000), RATE_HZ).candidates, key=lambda each: each.strength
        )
        misses_ms.append(1e3 * (strongest.at - at) / RATE_HZ)
    assert abs(float(np.median(misses_ms))) < 0.4
    assert float(np.percentile(np.abs(misses_ms), 80)) < 2.0


def test_the_whitening_filter_of_an_autoregressive_noise_is_its_own_recursion():
    """x[n] = 1.2 x[n-1] - 0.6 x[n-2] + e[n] is whitened by (1, -1.2, 0.6), and by nothing else."""
    signal = lfilter([1.0], [1.0, -1.2, 0.6], white(120_000, 2))
    predictor = fit_predictor(signal)
    assert predictor[:3] == pytest.approx([1.0, -1.2, 0.6], abs=0.05)
    assert predictor[3:] == pytest.approx(np.zeros(len(predictor) - 3), abs=0.06)
    assert np.std(lfilter(predictor, [1.0], signal)) == pytest.approx(1.0, abs=0.03)


def test_a_landing_does_not_bend_the_whitening():
    signal = lfilter([1.0], [1.0, -0.8], white(32_000, 2))
    quiet = fit_predictor(signal)
    signal[12_000:14_400] += impact(30.0)
    assert fit_predictor(signal) == pytest.approx(quiet, abs=0.1)


@pytest.mark.parametrize("signal", [np.zeros(4000), np.ones(100)], ids=["silence", "too short"])
def test_where_no_spectrum_can_be_told_nothing_is_filtered(signal):
    assert list(fit_predictor(signal)) == [1.0]


def test_a_tone_is_in_its_band_alone_and_power_is_power():
    n = np.arange(RATE_HZ)
    edges_hz = np.geomspace(60.0, 0.475 * RATE_HZ, BANDS + 1)
    for band in (6, 9, 11):
        tone_hz = np.sqrt(edges_hz[band] * edges_hz[band + 1])
        power, hop = band_powers(np.sin(2 * np.pi * tone_hz / RATE_HZ * n), RATE_HZ)
        mean = power.mean(axis=1)
        assert int(np.argmax(mean)) == band
        louder, _ = band_powers(10.0 * np.sin(2 * np.pi * tone_hz / RATE_HZ * n), RATE_HZ)
        np.testing.assert_allclose(louder, 100.0 * power, rtol=1e-4, atol=1e-7 * power.max())  # single precision
    assert hop == 16  # 1 ms
    assert power.shape[0] == BANDS


@pytest.mark.parametrize("snr", [8.0, 20.0, 60.0])
def test_an_impact_is_found_where_it_begins(snr):
    """Peak over noise RMS of 18, 26 and 36 dB; medians over ten noises."""
    errors_ms, ranks = [], []
    for seed in range(10):
        at = 9000 + 37 * seed
        signal = white(20_000, seed)
        signal[at : at + 2400] += impact(snr, seed=100 + seed)
        candidates = find_candidates(signal, none_of_ours(20_000), RATE_HZ).candidates
        strongest = max(candidates, key=lambda each: each.strength)
        errors_ms.append(1e3 * (strongest.at - at) / RATE_HZ)
        ranks.append(strongest.strength)
        assert [each.at for each in candidates] == sorted(each.at for each in candidates)
    assert abs(float(np.median(errors_ms))) < 1.5
    assert float(np.percentile(np.abs(errors_ms), 80)) < 4.0


def test_what_the_picker_is_late_and_how_far_it_scatters_follow_from_the_rise():
    """Beginnings that take 0.2 to 3 ms, 10 to 26 dB over the noise: one unit of error is one told uncertainty."""
    at, t = 9000, np.arange(1600) / RATE_HZ
    late_ms, left_ms, normalised = [], [], []
    for seed in range(90):
        rng = np.random.default_rng(seed)
        rise_s, ratio = 0.0002 * 15.0 ** rng.random(), 3.0 * 7.0 ** rng.random()
        signal = white(20_000, seed)
        signal[at : at + 1600] += ratio * rng.standard_normal(1600) * np.minimum(1.0, t / rise_s) * np.exp(-t / 0.02)
        candidates = find_candidates(signal, none_of_ours(20_000), RATE_HZ).candidates
        candidate = min(candidates, key=lambda each: abs(each.at - at))
        late_ms.append(1e3 * (candidate.at - at) / RATE_HZ)
        left_ms.append(late_ms[-1] - lateness_ms(candidate))
        normalised.append(left_ms[-1] / scatter_ms(candidate))
    assert 0.25 < np.median(late_ms) < 0.7
    assert abs(np.median(left_ms)) < 0.15
    assert 0.7 < np.std(np.clip(normalised, -3.0, 3.0)) < 1.25


def test_an_impact_stands_out_from_the_noise():
    frames = 20_000
    loud = white(frames, 1)
    loud[9000:11_400] += impact(20.0)
    alone = max(
        candidate.strength for candidate in find_candidates(white(frames, 1), none_of_ours(frames), RATE_HZ).candidates
    )
    assert max(each.strength for each in find_candidates(loud, none_of_ours(frames), RATE_HZ).candidates) > 2.0 * alone


def test_a_weak_foot_before_a_strong_one_is_the_beginning():
    errors_ms = []
    for seed in range(10):
        signal = white(20_000, seed, 0.01)
        signal[9000:11_400] += impact(0.15, seed=50 + seed)
        signal[9112:11_512] += impact(1.0, seed=80 + seed)  # 7 ms later
        candidates = find_candidates(signal, none_of_ours(20_000), RATE_HZ).candidates
        near = [each.at for each in candidates if abs(each.at - 9050) < 400]
        errors_ms.append(1e3 * (min(near) - 9000) / RATE_HZ)
    assert abs(float(np.median(errors_ms))) < 1.5


def test_two_feet_are_two_rises():
    signal = white(20_000, 4, 0.02)
    signal[9000:11_400] += impact(1.0)
    signal[9640:12_040] += impact(1.0, seed=9)  # 40 ms
    strong = sorted(find_candidates(signal, none_of_ours(20_000), RATE_HZ).candidates, key=lambda each: -each.strength)[
        :3
    ]
    for foot in (9000, 9640):
        assert min(abs(candidate.at - foot) for candidate in strong) < 0.003 * RATE_HZ


def test_loudness_changes_neither_place_nor_strength():
    signal = white(20_000, 5)
    signal[9000:11_400] += impact(15.0)
    loud = find_candidates(signal, none_of_ours(20_000), RATE_HZ)
    soft = find_candidates(1e-3 * signal, none_of_ours(20_000), RATE_HZ)
    assert [each.at for each in soft.candidates] == [each.at for each in loud.candidates]
    assert [each.strength for each in soft.candidates] == pytest.approx(
        [each.strength for each in loud.candidates], rel=1e-3
    )


def test_what_is_left_of_our_own_sound_counts_as_noise():
    frames = 20_000
    own = np.zeros(frames)
    own[9000:9800] = white(800, 8, 30.0)
    residual = white(frames, 1) + 0.2 * own
    unaware = max(
        candidate.strength for candidate in find_candidates(residual, none_of_ours(frames), RATE_HZ).candidates
    )
    aware = [Leftover(own_powers(own, RATE_HZ), np.full(BANDS, 0.04))]
    assert max(each.strength for each in find_candidates(residual, aware, RATE_HZ).candidates) < 0.7 * unaware


def test_the_leftover_share_is_the_share_of_power():
    own = np.zeros(20_000)
    own[6000:12_000] = white(6000, 8, 50.0)
    left, _ = band_powers(white(20_000, 1) + 0.3 * own, RATE_HZ)
    shares = leftover_share(left, own_powers(own, RATE_HZ))
    assert shares == pytest.approx(np.full(BANDS, 0.09), rel=0.25)
    noise, _ = band_powers(white(20_000, 1), RATE_HZ)
    assert np.isnan(leftover_share(noise, own_powers(1e-3 * own, RATE_HZ))).all()  # it never dominates


def test_the_arrival_picker_is_the_seismologists():
    """ObsPy: k log var(x[:k]) + (n - k - 1) log var(x[k:]), at index k - 1; ours is the gain over no split at all.

    Of samples that come as +a, -a both halves have mean zero, and variance is mean power: the two are then one curve.
    """
    trigger = pytest.importorskip("obspy.signal.trigger", reason="ObsPy is in the extra: pip install -e '.[bench]'")
    for seed in range(20):
        size = np.abs(white(240, seed))
        size[80 + 5 * seed :] *= 4.0
        signal = np.column_stack([size, -size]).ravel()
        gain, criterion, n = split_gain(signal), trigger.aic_simple(signal), len(signal)
        k = np.arange(20, n - 20, 2)
        k = k[gain[k] > 0]
        after = np.array([np.mean(signal[split:] ** 2) for split in k])
        assert len(k) > 150
        assert gain[k] == pytest.approx(n * np.log(np.mean(signal**2)) - criterion[k - 1] - np.log(after), rel=1e-9)
        assert abs(int(np.argmax(gain)) - 1 - (20 + int(np.argmin(criterion[20:-20])))) <= 1
