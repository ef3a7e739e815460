"""General-purpose onset pickers, each in several of its usual settings.

A picker takes samples, shape (n,), and their rate, and answers onsets in seconds with how strong each is.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from functools import partial

import numpy as np

Picks = tuple[np.ndarray, np.ndarray]
Picker = Callable[[np.ndarray, int], Picks]

HOP_S = 0.0015  # time resolution worth having for landings; the libraries' own 6-23 ms could not compete
AIC_BACK_S, AIC_AHEAD_S = 0.022, 0.008  # reach of the arrival picker around a trigger, as ours has


def librosa_settings() -> dict[str, Picker]:
    """librosa.onset: spectral flux over mel bands, and SuperFlux (Böck & Widmer 2013) as its gallery sets it."""
    return {
        f"{kind}, delta {delta}{', backtracked' if back else ''}": partial(_librosa, kind=kind, delta=delta, back=back)
        for kind, delta, back in itertools.product(("flux", "superflux"), (0.03, 0.07, 0.2), (False, True))
    }


def _librosa(samples: np.ndarray, rate_hz: int, *, kind: str, delta: float, back: bool) -> Picks:
    import librosa

    hop = round(HOP_S * rate_hz)
    more = {"lag": 2, "max_size": 3} if kind == "superflux" else {}
    size = 1024 if rate_hz > 30_000 else 512
    strength = librosa.onset.onset_strength(
        y=samples.astype(np.float32), sr=rate_hz, hop_length=hop, n_fft=size, n_mels=64, fmin=40.0, **more
    )
    # The defaults count in frames of 23 ms; told in seconds, they stay what they mean.
    frames = {"pre_max": 0.03, "post_max": 0.005, "pre_avg": 0.1, "post_avg": 0.1, "wait": 0.03}
    peaks = librosa.onset.onset_detect(
        onset_envelope=strength,
        sr=rate_hz,
        hop_length=hop,
        delta=delta,
        **{key: max(1, round(span_s / HOP_S)) for key, span_s in frames.items()},
    )
    places = librosa.onset.onset_backtrack(peaks, strength) if back and len(peaks) else peaks
    return places * hop / rate_hz, strength[peaks]


def aubio_settings() -> dict[str, Picker]:
    """aubio.onset: its detection functions at and around the default threshold."""
    return {
        f"{method}, threshold {threshold}": partial(_aubio, method=method, threshold=threshold)
        for method, threshold in itertools.product(("hfc", "complex", "specflux", "energy"), (0.1, 0.3, 0.8))
    }


def _aubio(samples: np.ndarray, rate_hz: int, *, method: str, threshold: float) -> Picks:
    import aubio

    hop = 64 if rate_hz > 30_000 else 32  # powers of two only
    detector = aubio.onset(method, 16 * hop, hop, rate_hz)
    detector.set_threshold(threshold)
    detector.set_silence(-90.0)
    detector.set_minioi_ms(20.0)
    sound = samples.astype(np.float32)
    times_s, strengths = [], []
    for start in range(0, len(sound) - hop + 1, hop):
        if detector(sound[start : start + hop])[0]:
            times_s.append(detector.get_last_s())
            strengths.append(detector.get_thresholded_descriptor())
    return np.array(times_s), np.array(strengths)


def obspy_settings() -> dict[str, Picker]:
    """obspy.signal.trigger: a ratio of a short to a long average starts, Akaike's criterion places the arrival."""
    return {
        f"{kind} {1e3 * short_s:.0f}/{1e3 * long_s:.0f} ms, on {on:g}": partial(
            _obspy, kind=kind, short_s=short_s, long_s=long_s, on=on
        )
        for kind, (short_s, long_s), on in itertools.product(
            ("recursive", "classic"), ((0.003, 0.06), (0.005, 0.2)), (4.0, 8.0, 16.0)
        )
    }


def _obspy(samples: np.ndarray, rate_hz: int, *, kind: str, short_s: float, long_s: float, on: float) -> Picks:
    from obspy.signal.filter import highpass
    from obspy.signal.trigger import aic_simple, classic_sta_lta, recursive_sta_lta, trigger_onset

    ratio = classic_sta_lta if kind == "classic" else recursive_sta_lta
    sound = highpass(samples, 60.0, df=rate_hz, corners=2)
    track = ratio(sound, round(short_s * rate_hz), round(long_s * rate_hz))
    times_s, strengths = [], []
    for begin, end in trigger_onset(track, on, 0.5 * on):
        low, high = max(0, begin - round(AIC_BACK_S * rate_hz)), begin + round(AIC_AHEAD_S * rate_hz)
        piece = sound[low:high]
        if len(piece) > 16:
            times_s.append((low + 8 + int(np.argmin(aic_simple(piece)[8:-8]))) / rate_hz)
            strengths.append(track[begin : end + 1].max())
    return np.array(times_s), np.array(strengths)


LIBRARIES = {"librosa": librosa_settings, "aubio": aubio_settings, "ObsPy": obspy_settings}
