"""When a known sound arrives: matched filter, first arrival, parted to a fraction of a sample.

The first local maximum of the correlation's envelope that reaches half of the greatest is taken, not the greatest:
a reflection may be stronger than the direct sound, but it is never earlier.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FIRST_ARRIVAL_SHARE = 0.5
HEARD_RATIO = 5.5  # envelope peak over its median; the greatest of 10^4 Rayleigh samples is at 3.7
HEARD_SHARE = 0.3  # least share of the power, in the template's band and time, that is the template
NEAR_SHARE = 0.06  # and where it must come anyhow: room and noise may take the rest


@dataclass(frozen=True, slots=True)
class Arrival:
    """Lag of a template in a signal, in samples, and how sure it is.

    `ratio` tells how far its correlation stands above the rest, `share` how much of the power there it explains: a
    sound that only resembles it, such as a landing's slap, explains little.
    """

    lag: float
    ratio: float
    share: float
    uncertainty: float  # one sigma, samples

    def heard(self, least_share: float = HEARD_SHARE) -> bool:
        """Whether the sound is there at all."""
        return self.ratio >= HEARD_RATIO and self.share >= least_share


def locate_cue(signal: np.ndarray, template: np.ndarray, expected: float | None = None) -> Arrival | None:
    """Lag at which `template` first arrives in `signal`.

    Parameters
    ----------
    signal : float array, shape (n,)
    template : float array, shape (m,), m <= n
    expected : float, optional
        Lag near which the arrival must lie; of several strong arrivals the one nearest to it starts the search.

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
    envelope = np.abs(hilbert(np.fft.irfft(signal_spectrum * np.conj(template_spectrum), size)[:count]))
    peak = float(envelope.max())
    if peak <= 0.0:
        return None
    inner = envelope[1:-1]
    maxima = 1 + np.flatnonzero(
        (inner >= envelope[:-2]) & (inner > envelope[2:]) & (inner > FIRST_ARRIVAL_SHARE * peak)
    )
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
    share = _share(signal_spectrum, template_spectrum, size, first, len(template))
    return Arrival(first + float(part), ratio, share, float(1.0 / (width * max(ratio, 1.0))))


def _share(signal: np.ndarray, template: np.ndarray, size: int, lag: int, frames: int) -> float:
    """Share of the signal's power at a lag that is the template, both seen through the template's own band.

    The template's analytic signal is used: a fraction of a sample turns the phase of the product, not its size.
    """
    from scipy.signal import hilbert

    band = np.abs(template) / max(float(np.abs(template).max()), 1e-30)
    heard = np.fft.irfft(signal * band, size)[lag : lag + frames]
    known = np.fft.irfft(template * band, size)[:frames]
    power = float(np.dot(heard, heard)) * float(np.dot(known, known))
    return float(np.abs(np.dot(heard, hilbert(known)))) ** 2 / power if power > 0.0 else 0.0
