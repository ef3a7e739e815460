"""When a known sound arrives: matched filter, first arrival, parted to a fraction of a sample; the line of arrivals.

The first local maximum of the correlation's envelope that reaches half of the greatest is taken, not the greatest:
a reflection may be stronger than the direct sound, but it is never earlier.

The clock line tells how much later the microphone hears what was played, over the whole session: one straight line
(round trip + drift) through the arrivals of all contact cues heard so far. It tells where to look for the next one and
stands in for a cue that was masked.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

FIRST_ARRIVAL_SHARE = 0.5
HEARD_RATIO = 5.5  # envelope peak over its median; the greatest of 10^4 Rayleigh samples is at 3.7
HEARD_SHARE = 0.3  # least share of the power, in the template's band and time, that is the template
NEAR_SHARE = 0.06  # and where it must come anyhow: room and noise may take the rest
SMOOTH = 20  # noise is weighed in bands so many times as wide as the template's length resolves
STILL, FAINTEST = 0.1, 1e-6  # re the median and the greatest power: stiller than that counts as no stiller
TINY = 1e-30
LEAST_NOISE = 0.15  # re the noise where the template is: a band with far less is one that the microphone cannot carry

KEPT_CUES = 60  # cues: a stream's latency may step, so the distant past must not bind
SETTLED = 3


@dataclass(frozen=True, slots=True)
class Arrival:
    """Lag of a template in a signal, in samples, and how sure it is.

    `ratio` tells how far its correlation stands above the rest, `share` how much of the power there it explains: a
    sound that only resembles it, such as a landing's slap, explains little. `evidence` is minus the natural logarithm
    of the probability that Gaussian noise gives so great a share at one lag.
    """

    lag: float
    ratio: float
    share: float
    uncertainty: float  # one sigma, samples
    evidence: float = 0.0

    def heard(self, least_share: float = HEARD_SHARE) -> bool:
        """Whether the sound is there at all."""
        return self.ratio >= HEARD_RATIO and self.share >= least_share


def locate_cue(
    signal: np.ndarray,
    template: np.ndarray,
    expected: float | None = None,
    within: float = np.inf,
    *,
    whitened: bool = False,
) -> Arrival | None:
    """Lag at which `template` first arrives in `signal`.

    Parameters
    ----------
    signal : float array, shape (n,)
        At any level: shares of its power count, not the power.
    template : float array, shape (m,), m <= n
        The known sound at the rate of the signal, from its first sample on.
    expected : float, optional
        Lag near which the arrival must lie; of several strong arrivals the one nearest to it starts the search.
    within : float, optional
        Farther from the expected lag than this nothing is looked for.
    whitened : bool
        Whether bands count the less the more noise is in them, as in a matched filter for coloured noise. Not where
        another contact sound may lie in another band: little of it would be left that says so.

    Returns
    -------
    Arrival or None
        None when the template is silent or the signal too short.
    """
    from scipy.signal import hilbert

    count = len(signal) - len(template) + 1
    energy = float(np.dot(template, template))
    if count < 8 or energy <= 0.0:
        return None
    size = 1 << int(np.ceil(np.log2(len(signal) + len(template))))
    signal_spectrum, template_spectrum = np.fft.rfft(signal, size), np.fft.rfft(template, size)
    if whitened:
        signal_spectrum, template_spectrum = _whitened(signal_spectrum, template_spectrum, len(template))
    envelope = np.abs(hilbert(np.fft.irfft(signal_spectrum * np.conj(template_spectrum), size)[:count]))
    inner = envelope[1:-1]
    maxima = 1 + np.flatnonzero((inner >= envelope[:-2]) & (inner > envelope[2:]))
    if expected is not None:
        maxima = maxima[np.abs(maxima - expected) <= within]
    peak = float(envelope[maxima].max(initial=0.0))
    maxima = maxima[envelope[maxima] > FIRST_ARRIVAL_SHARE * peak]
    if not len(maxima):
        return None
    first = int(maxima[0])
    if expected is not None:
        # The same cue from the next court makes a second cluster; keep the cluster nearest to where ours must be.
        nearest = int(maxima[np.argmin(np.abs(maxima - expected))])
        cluster = maxima[(maxima <= nearest) & (maxima > nearest - len(template))]
        first = int(cluster[0])
    before, at, after = envelope[first - 1 : first + 2]
    bend = before - 2 * at + after
    part = 0.5 * (before - after) / bend if bend < 0 else 0.0
    ratio = float(at / max(np.median(envelope), 1e-12 * peak))
    # Woodward: sigma = 1 / (effective bandwidth * amplitude SNR); the bend of the peak is the bandwidth squared.
    width = np.sqrt(max(-bend / at, 1e-6))
    share, freedom = _share(signal_spectrum, template_spectrum, size, first, len(template))
    evidence = -0.5 * freedom * float(np.log1p(-min(share, 1.0 - 1e-9)))
    return Arrival(first + float(part), ratio, share, float(1.0 / (width * max(ratio, 1.0))), evidence)


def evidence(signal: np.ndarray, template: np.ndarray) -> np.ndarray:
    """How much speaks for `template` beginning at each lag, as `Arrival.evidence`; shape (n - m + 1,).

    It is the carrier's and not the envelope's: of the lags within half a period the greatest counts. Loudness does not
    matter, so that a shout or a slammed door counts no more than the noise around it.
    """
    from scipy.fft import next_fast_len

    count, frames = len(signal) - len(template) + 1, len(template)
    size = next_fast_len(len(signal) + frames, real=True)
    heard, known = _whitened(np.fft.rfft(signal, size), np.fft.rfft(template, size), frames)
    band = np.abs(known) / max(float(np.abs(known).max()), TINY)
    heard, known = heard * band, known * band
    correlation = np.fft.irfft(heard * np.conj(known), size)[:count]
    energy = np.concatenate([[0.0], np.cumsum(np.fft.irfft(heard, size)[: len(signal)] ** 2, dtype=np.float64)])
    energy = energy[frames:] - energy[:count]
    least = STILL * float(np.median(energy)) + FAINTEST * float(energy.max())
    own = 2.0 / size * float(np.sum(np.abs(known) ** 2))
    share = correlation**2 / (own * np.maximum(energy, least) + TINY)
    return np.asarray(-0.5 * _freedom(band, frames, size) * np.log1p(-np.minimum(share, 1.0 - 1e-9)))


def _whitened(signal: np.ndarray, template: np.ndarray, frames: int) -> tuple[np.ndarray, np.ndarray]:
    """Spectra of signal and template with equal noise in all bands; what is in neither stays out."""
    from scipy.ndimage import uniform_filter1d

    width = max(1, round(2 * SMOOTH * len(template) / frames))
    noise = np.maximum(uniform_filter1d(np.abs(signal) ** 2, width, mode="nearest"), 0.0)
    own = np.abs(template) ** 2
    least = LEAST_NOISE * float(np.dot(noise, own)) / float(np.sum(own))
    weight = np.sqrt(noise) / np.maximum(noise + least, TINY)
    return signal * weight, template * weight


def _share(signal: np.ndarray, template: np.ndarray, size: int, lag: int, frames: int) -> tuple[float, float]:
    """Share of the signal's power at a lag that is the template, and the degrees of freedom that noise has there.

    Both are seen through the template's own band. The template's analytic signal is used: a fraction of a sample turns
    the phase of the product, not its size.
    """
    from scipy.signal import hilbert

    band = np.abs(template) / max(float(np.abs(template).max()), 1e-30)
    heard = np.fft.irfft(signal * band, size)[lag : lag + frames]
    known = np.fft.irfft(template * band, size)[:frames]
    power = float(np.dot(heard, heard)) * float(np.dot(known, known))
    share = float(np.abs(np.dot(heard, hilbert(known)))) ** 2 / power if power > 0.0 else 0.0
    return share, _freedom(band, frames, size)


def _freedom(band: np.ndarray, frames: int, size: int) -> float:
    """Degrees of freedom that noise has within a template's time and band."""
    return 2.0 * frames / size * float(np.sum(band**2)) ** 2 / max(float(np.sum(band**4)), TINY)


class ClockLine:
    """Robust line lag = offset + slope * time through (time, lag) pairs, both in the same unit.

    Parameters
    ----------
    keep : int
        How many of the latest pairs count.
    """

    def __init__(self, keep: int = KEPT_CUES) -> None:
        self._pairs: deque[tuple[float, float]] = deque(maxlen=keep)
        self.offset = 0.0
        self.slope = 0.0
        self.spread = 0.0  # robust standard deviation of the pairs around the line

    def __len__(self) -> int:
        return len(self._pairs)

    @property
    def settled(self) -> bool:
        """Whether the line can be relied on."""
        return len(self._pairs) >= SETTLED

    def lag(self, time: float) -> float | None:
        """Expected lag of a sound played at a time; None before anything was heard."""
        return self.offset + self.slope * time if self._pairs else None

    def put(self, pairs: Iterable[tuple[float, float]]) -> None:
        """Take in cues heard, and fit again."""
        self._pairs.extend(pairs)
        if not self._pairs:
            return
        times, lags = np.array(self._pairs).T
        self.slope = 0.0
        if self.settled:
            # Theil-Sen: the median of all pairwise slopes shrugs off a cue that locked onto something else.
            i, j = np.triu_indices(len(times), 1)
            apart = times[j] - times[i]
            usable = np.abs(apart) > 0
            self.slope = float(np.median((lags[j] - lags[i])[usable] / apart[usable])) if usable.any() else 0.0
        self.offset = float(np.median(lags - self.slope * times))
        rest = lags - self.offset - self.slope * times
        self.spread = float(1.4826 * np.median(np.abs(rest)))

    def restart(self) -> None:
        """Forget everything: the latency stepped."""
        self._pairs.clear()
        self.offset = self.slope = self.spread = 0.0
