"""The second foot of a landing, where the first one is known.

Two feet of one player in the same shoes on the same floor sound alike, so besides a rise of its own the other foot
shows as a likeness of its first milliseconds: to the first foot's, and to those of the session's other landings. What
speaks for each place is weighed by a conditional logit, fitted to scenes of our own and to the eight development
recordings; the net, whose columns are 2 ms, finds fewer (tests/accuracy/README.md).

Likeness is a normalised correlation of whitened sound as Fisher's z, whose scatter does not depend on its size, times
the root of the pattern's length: what two patterns of different lengths say can be compared. A thud is like itself,
too, but at another impact the power jumps, band by band, as it does not in a dying sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.onsets import OnsetCandidates
from drilltimer.hear.picture import PREDICTOR, picking_bands, running_energy

Evidence = dict[str, np.ndarray]  # by name, each of shape (places,)

SPAN_S = (0.006, 0.092)
BEFORE_S = 0.030  # of sound before the first foot, for filters to settle and powers to be compared with
ALIKE = 0.15  # least likeness that proposes a second foot by itself
MOST_ALIKE = 6  # so many places, the likeliest, are proposed
OTHERS_SHARE = 0.7  # what likeness to other landings counts beside that to the first foot, when proposing

# What speaks for a second foot after the first.
SECOND_FOOT = {
    "alike": 4.62,
    "like_others": 2.33,
    "is_rise": 0.31,
    "lag_unusual": -1.02,  # squared log of the lag over USUAL_LAG_S
    "split": -0.31,  # log(1 + gain of the best split into two powers), ...
    "much_split": 0.66,  # ... that gain in units of 50, ...
    "split_middle": 0.66,  # ... and as the first, of 500-1800 Hz alone
    "no_jump": -0.75,  # squared shortfall from LEAST_JUMP_DB, in units of 5 dB, like all that follows
    "jump_middle": -1.33,  # 500-1800 Hz
    "jump_most": 0.4,  # of the three bands
    "treble_jump": 2.28,  # over 1800 Hz, beyond that of the whole, ...
    "treble_over_middle": -0.36,  # ... and beyond that of 500-1800 Hz
    "level": 3.27,  # beside the first foot, mean of the three bands
    "level_most": -1.43,  # of the three bands
    "louder": -0.38,  # squared
    "tail": -0.33,  # what is left of the first foot over noise just before
}
NO_SECOND_FOOT = 4.1
LEAST_JUMP_DB = 3.0
USUAL_LAG_S = 0.025
MUCH_GAIN, GAIN_UNIT = 150.0, 50.0
TAIL_DB = (-5.0, 25.0)
JUMP_UNIT_DB = 5.0
LEVEL_S = 0.010

UNIT_S = 0.008  # a pattern of this length has its z counted as it is
LENGTHS_S = (0.008, 0.016, 0.030)  # of other landings' patterns; the longest is what is kept of a landing
SHORTEST_S, LONGEST_S = 0.006, 0.025  # of the pattern of the very landing
LANDING_S = 0.090  # over which a landing's own spectrum is taken
KEPT_S = 0.150  # of a segment before and after a landing: feet are looked for there
SMOOTH_HZ = 300.0
SIZE = 4096  # of the transform for spectra
LEAST_GAIN = 0.02
NEAR_S = 0.0015  # how far a likeness may lie from the place it speaks for
MOST_Z = 0.99

LOWEST_DB, HIGHEST_DB = -5.0, 15.0  # of a jump; more says no more
TINY = 1e-20


def find_second_foot(
    found: OnsetCandidates, first: float, others: Sequence[np.ndarray], rate_hz: float
) -> float | None:
    """Sample at which the second foot lands after the first, or None.

    Parameters
    ----------
    found : OnsetCandidates
        Of the segment, with its whitened signal.
    first : float
        Sample at which the first foot landed.
    others : sequence of float arrays
        Patterns of other landings, as from `Memory.patterns`.
    """
    places, evidence = second_foot_evidence(found, first, others, rate_hz)
    if not len(places):
        return None
    weights = np.sum([SECOND_FOOT[name] * column for name, column in evidence.items()], axis=0)
    best = int(np.argmax(weights))
    return float(places[best]) if weights[best] > NO_SECOND_FOOT else None


def second_foot_evidence(
    found: OnsetCandidates, first: float, others: Sequence[np.ndarray], rate_hz: float
) -> tuple[np.ndarray, Evidence]:
    """Samples of the segment where the second foot may lie, and what speaks for each; see `find_second_foot`.

    A thud repeats itself at its own period, so likeness counts only where the power jumps as well.
    """
    start = int(first)
    lags = np.arange(round(SPAN_S[0] * rate_hz), round(SPAN_S[1] * rate_hz))
    clean = keep_landing(found.white, start, rate_hz)
    itself = likeness_to_itself(clean, start, lags, rate_hz)
    if not itself.any():
        return np.zeros(0, int), {}
    like_others = likeness_to_others(clean, start, lags, others, found.predictor, rate_hz)
    near = round(NEAR_S * rate_hz)
    places = start + np.array(_proposals(found, start, lags, itself, like_others, rate_hz), int)
    around = [slice(max(0, at - near), at + near + 1) for at in places - start - lags[0]]
    risen = {int(candidate.at) for candidate in found.candidates}
    return places, {
        "alike": np.array([itself[each].max(initial=0.0) for each in around]),
        "like_others": np.array([like_others[each].max(initial=0.0) for each in around]),
        "is_rise": np.array([float(at in risen) for at in places.tolist()]),
        "lag_unusual": np.log((places - start) / rate_hz / USUAL_LAG_S) ** 2,
        **_jump_evidence(found.white, clean, start, places, rate_hz),
    }


def _jump_evidence(white: np.ndarray, clean: np.ndarray, start: int, places: np.ndarray, rate_hz: float) -> Evidence:
    """How the power jumps at each place, and how it lies beside that of the first foot at sample `start`."""
    first = max(0, start - round(BEFORE_S * rate_hz))
    piece = slice(first, start + round((SPAN_S[1] + BEFORE_S) * rate_hz))
    parts = [part for _, part in picking_bands(white[piece], rate_hz)]
    energy = running_energy(np.array([*parts, white[piece], clean[piece]]))  # low, middle, treble, whole, clean
    bands = energy[:3]
    near, at, foot = round(NEAR_S * rate_hz), places - first, start - first
    around = at[:, None] + np.arange(-near, near + 1)
    gains = split_gain_at(bands, around, 0.008, 0.010, rate_hz)
    _, middle_db, treble_db, whole_db = jump_db(energy[:4], around, 0.003, 0.006, rate_hz)
    here_db = jump_db(energy[4], at[:, None], 0.004, 0.004, rate_hz)
    *levels_db, clean_db = louder_db(energy[[0, 1, 2, 4]], at, foot, LEVEL_S, rate_hz)
    return {
        "split": np.log1p(gains.sum(axis=0)),
        "much_split": np.minimum(gains.sum(axis=0), MUCH_GAIN) / GAIN_UNIT,
        "split_middle": np.log1p(gains[1]),
        "no_jump": (np.maximum(LEAST_JUMP_DB - here_db, 0.0) / JUMP_UNIT_DB) ** 2,
        "jump_middle": jump_db(energy[1], around, 0.008, 0.008, rate_hz) / JUMP_UNIT_DB,
        "jump_most": jump_db(bands, around, 0.004, 0.004, rate_hz).max(axis=0) / JUMP_UNIT_DB,
        "treble_jump": (treble_db - whole_db) / JUMP_UNIT_DB,
        "treble_over_middle": (treble_db - middle_db) / JUMP_UNIT_DB,
        "level": np.mean(levels_db, axis=0) / JUMP_UNIT_DB,
        "level_most": np.max(levels_db, axis=0) / JUMP_UNIT_DB,
        "louder": (np.maximum(clean_db, 0.0) / JUMP_UNIT_DB) ** 2,
        "tail": _tail_db(bands, at, foot, rate_hz) / JUMP_UNIT_DB,
    }


def _tail_db(bands: np.ndarray, at: np.ndarray, start: int, rate_hz: float) -> np.ndarray:
    """How far the sound just before each place lies over what it was before the landing, mean of the bands."""
    before, quiet = round(0.004 * rate_hz), start - round(0.002 * rate_hz)
    over = mean_power(bands, at - before, before) / (mean_power(bands, np.zeros(1, int), quiet) + TINY)
    return np.asarray(np.clip((10.0 * np.log10(over + TINY)).mean(axis=0), *TAIL_DB))


def _proposals(
    found: OnsetCandidates, start: int, lags: np.ndarray, itself: np.ndarray, like_others: np.ndarray, rate_hz: float
) -> list[int]:
    """Lags at which a second foot may lie: every rise, and where the sound is most like a landing again."""
    from scipy.signal import find_peaks

    near = round(NEAR_S * rate_hz)
    lags_found = {
        int(candidate.at) - start for candidate in found.candidates if lags[0] < candidate.at - start < lags[-1]
    }
    for scores in (itself, np.maximum(itself, 0.0) + OTHERS_SHARE * like_others):
        peaks, _ = find_peaks(scores, height=ALIKE, distance=max(1, round(0.002 * rate_hz)))
        for peak in peaks[np.argsort(-scores[peaks])][:MOST_ALIKE]:
            if all(abs(int(lags[peak]) - lag) > near for lag in lags_found):
                lags_found.add(int(lags[peak]))
    return sorted(lags_found)


def cut_pattern(residual: np.ndarray, at: float, rate_hz: float) -> np.ndarray | None:
    """What is kept of a landing: its first 30 ms, not whitened, and what a whitening filter needs before them."""
    first = int(at) - PREDICTOR
    piece = residual[max(first, 0) : int(at) + round(LENGTHS_S[-1] * rate_hz)]
    return piece.astype(np.float32) if first >= 0 and len(piece) == PREDICTOR + round(0.030 * rate_hz) else None


def keep_landing(white: np.ndarray, start: int, rate_hz: float) -> np.ndarray:
    """Leave of a whitened segment, shape (n,), the frequencies in which a landing at sample `start` is over noise.

    A Wiener filter of zero phase: where the sound is no stronger than the noise, its correlation is only noise's. What
    lies farther than `KEPT_S` from the landing is silent.
    """
    piece = white[start : start + round(LANDING_S * rate_hz)]
    whole = white[: len(white) // SIZE * SIZE].reshape(-1, SIZE)
    if not len(whole) or len(piece) < SIZE // 64:
        return white
    fade, window = np.hanning(2 * len(piece))[len(piece) :], np.hanning(SIZE)
    landing = _smooth(np.abs(np.fft.rfft(piece * fade, SIZE)) ** 2, rate_hz)
    # Median, for most frames hold no landing; a chi-squared of two degrees has its median at log 2 of the mean.
    noise = np.median(np.abs(np.fft.rfft(whole * window, axis=1)) ** 2, axis=0) / np.log(2)
    noise = _smooth(noise * np.sum(fade**2) / np.sum(window**2), rate_hz)
    gain = np.clip(1.0 - noise / np.maximum(landing, 1e-30), LEAST_GAIN, 1.0)
    kept = round(KEPT_S * rate_hz)
    return _filtered(white, gain, max(0, start - kept), min(len(white), start + kept))


def likeness_to_itself(white: np.ndarray, start: int, lags: np.ndarray, rate_hz: float) -> np.ndarray:
    """Likeness of the sound at each lag (samples, consecutive) after `start` to the sound at `start`; shape of `lags`.

    Over as long a pattern as fits before the lag (it ends where the second foot begins), and less where the later
    sound is softer. Zeros at the end of a segment.
    """
    shortest, longest = round(SHORTEST_S * rate_hz), round(LONGEST_S * rate_hz)
    piece = white[start : start + int(lags[-1]) + 1 + longest]
    if start < 0 or len(piece) <= lags[-1] + longest:
        return np.zeros(len(lags))
    energy = running_energy(piece)
    lengths = np.clip(lags - round(0.001 * rate_hz), shortest, longest)
    grown = int(np.searchsorted(lengths, longest))  # from this lag on the pattern has its full length
    products = np.zeros(len(lags))
    products[:grown] = [piece[:n] @ piece[lag : lag + n] for lag, n in zip(lags[:grown], lengths, strict=False)]
    if grown < len(lags):
        products[grown:] = np.correlate(piece[lags[grown] : lags[-1] + longest], piece[:longest])
    own, later = energy[lengths] + 1e-30, energy[lags + lengths] - energy[lags]
    softer = np.minimum(1.0, np.sqrt(later / own))
    z = _z(products / np.sqrt(own * later + 1e-30))
    return np.asarray(z * np.sqrt(lengths / (UNIT_S * rate_hz)) * softer)


def likeness_to_others(
    white: np.ndarray,
    start: int,
    lags: np.ndarray,
    patterns: Sequence[np.ndarray],
    predictor: np.ndarray,
    rate_hz: float,
) -> np.ndarray:
    """Likeness of the sound at each lag (samples, consecutive) to whichever other landing it is most like, at least 0.

    Parameters
    ----------
    white : float array, shape (n,)
        The whitened segment, of which `keep_landing` may have left less.
    patterns : sequence of float arrays
        Other landings as from `cut_pattern`; whitened here as this segment was.
    predictor : float array
        The segment's whitening filter.
    """
    longest = round(LENGTHS_S[-1] * rate_hz)
    piece = white[max(0, start + int(lags[0])) : start + int(lags[-1]) + longest]
    if not patterns or start < 0 or len(piece) < len(lags) + longest - 1:
        return np.zeros(len(lags))
    return _likeness(piece, len(lags), _parts(_whitened(patterns, predictor), len(lags), rate_hz))


@dataclass(frozen=True, slots=True)
class _Part:
    """The next samples of some landings: their spectra, and how all samples up to its end are weighed.

    `norms` are the landings' own up to there, shape (landings, 1).
    """

    first: int
    last: int
    spectra: np.ndarray
    size: int
    norms: np.ndarray
    weight: float


def _parts(landings: np.ndarray, lags: int, rate_hz: float) -> list[_Part]:
    """Landings cut at each of `LENGTHS_S`, to be found at up to so many lags: short parts need short transforms."""
    norms, parts, first = np.sqrt(running_energy(landings)), [], 0
    for length_s in LENGTHS_S:
        last = round(length_s * rate_hz)
        size = _fast_size(last - first + lags - 1)
        spectra = np.conj(np.fft.rfft(landings[:, first:last], size, axis=1))
        weight = float(np.sqrt(last / (UNIT_S * rate_hz)))
        parts.append(_Part(first, last, spectra, size, np.maximum(norms[:, last : last + 1], 1e-30), weight))
        first = last
    return parts


def _likeness(pieces: np.ndarray, lags: int, parts: Sequence[_Part]) -> np.ndarray:
    """Likeness of pieces at their first `lags` samples to the landing each is most like; at least 0, (..., lags).

    By transforms, not by matrix products: those of this size start threads whose waiting costs more than the work.

    Parameters
    ----------
    pieces : float array, shape (..., lags - 1 + the last part's end)
        Whitened as the landings are.
    """
    energy, scores = running_energy(pieces), np.zeros((*pieces.shape[:-1], lags))
    products = np.zeros((*pieces.shape[:-1], len(parts[0].spectra), lags), pieces.dtype)
    for part in parts:
        spectra = np.fft.rfft(pieces[..., part.first : part.last + lags - 1], part.size)[..., None, :]
        products += np.fft.irfft(spectra * part.spectra, part.size)[..., :lags]
        there = np.sqrt(np.maximum(energy[..., part.last : part.last + lags] - energy[..., :lags], 1e-30))
        alike = (products / part.norms).max(axis=-2) / there
        np.maximum(scores, part.weight * _z(alike), out=scores)
    return scores


def _whitened(patterns: Sequence[np.ndarray], predictor: np.ndarray) -> np.ndarray:
    """Patterns as from `cut_pattern`, whitened as a segment was; shape (patterns, n)."""
    from scipy.signal import lfilter

    return np.asarray(lfilter(predictor, [1.0], np.array(patterns, float), axis=1)[:, PREDICTOR:])


def _z(correlation: np.ndarray | float) -> np.ndarray:
    return np.asarray(np.arctanh(np.clip(correlation, -MOST_Z, MOST_Z)))


def _smooth(power: np.ndarray, rate_hz: float) -> np.ndarray:
    width = int(np.ceil(SMOOTH_HZ / rate_hz * 2 * (len(power) - 1)))
    kernel = np.hanning(width + 2)[1:-1]
    return np.convolve(np.pad(power, width, mode="edge"), kernel / kernel.sum(), "same")[width:-width]


def _filtered(signal: np.ndarray, gain: np.ndarray, first: int, last: int) -> np.ndarray:
    """Samples `first` to `last` of a signal through a filter of zero phase; the others are zeros.

    Its gains are spread evenly from 0 Hz to half the sample rate, and so it reaches no farther than their number.
    """
    reach = 2 * len(gain)
    begin, end = max(0, first - reach), min(len(signal), last + reach)
    size = _fast_size(end - begin + reach)
    gains = np.interp(np.linspace(0.0, 1.0, size // 2 + 1), np.linspace(0.0, 1.0, len(gain)), gain)
    near = np.fft.irfft(np.fft.rfft(signal[begin:end], size) * gains, size)
    filtered = np.zeros(len(signal))
    filtered[first:last] = near[first - begin : last - begin]
    return filtered


def _fast_size(least: int) -> int:
    from scipy.fft import next_fast_len

    return int(next_fast_len(least, real=True))


def mean_power(energy: np.ndarray, first: np.ndarray, frames: int) -> np.ndarray:
    """Mean power of the `frames` samples from each of `first` on, what lies outside counting as silence.

    Shape (..., *first.shape), as the next two for each row of `at`.
    """
    low, high = (np.clip(each, 0, energy.shape[-1] - 1) for each in (first, first + frames))
    return np.asarray((energy[..., high] - energy[..., low]) / frames)


def jump_db(energy: np.ndarray, at: np.ndarray, after_s: float, before_s: float, rate_hz: float) -> np.ndarray:
    """Power after each place over that before it, the greatest of each row of `at`; limited to what counts."""
    after, before = round(after_s * rate_hz), round(before_s * rate_hz)
    ratios = (mean_power(energy, at, after) + TINY) / (mean_power(energy, at - before, before) + TINY)
    return np.asarray(np.clip(10.0 * np.log10(ratios.max(axis=-1)), LOWEST_DB, HIGHEST_DB))


def split_gain_at(energy: np.ndarray, at: np.ndarray, after_s: float, before_s: float, rate_hz: float) -> np.ndarray:
    """Log-likelihood (times two) gained by taking before and after for two powers, the greatest of each row of `at`.

    As `onsets.split_gain`, between fixed ends. Zero where the second power is not the greater one.
    """
    after, before = round(after_s * rate_hz), round(before_s * rate_hz)
    first, second = mean_power(energy, at - before, before) + TINY, mean_power(energy, at, after) + TINY
    whole = (before * first + after * second) / (before + after)
    gain = (after + before) * np.log(whole) - before * np.log(first) - after * np.log(second)
    return np.asarray(np.maximum(np.where(second > first, gain, 0.0).max(axis=-1), 0.0))


def louder_db(energy: np.ndarray, at: np.ndarray, than: int, span_s: float, rate_hz: float) -> np.ndarray:
    """Power of the span from each place on over that from sample `than` on; shape (..., places)."""
    frames = round(span_s * rate_hz)
    there, first = mean_power(energy, at, frames), mean_power(energy, np.array([than]), frames)
    return np.asarray(10.0 * np.log10((there + TINY) / (first + TINY)))
