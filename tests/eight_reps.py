"""Eight reps as they are played, and as a microphone hears them: a made room, a made player, all of it known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, sosfilt

from drilltimer.hear.listen import Listener
from drilltimer.model import Block, Window
from drilltimer.session import hearing_ranges

RATE_HZ = 48_000
DELAYS_MS = (133.0, 61.0, 210.0, 168.0, 95.0, 250.0, 140.0, 305.0)  # contact to touchdown
STAGGER_MS = 45.0
CONTACTS_S = (1.0, 2.9, 4.6, 6.7, 8.5, 10.6, 12.3, 14.2)
LATENCY_S = 0.1
SECONDS = 16.5
WINDOW = Window(73.0, 133.0, 193.0)


def contact_sound():
    noise = np.random.default_rng(31).standard_normal(1440) * np.exp(-np.arange(1440) / 290)
    band = butter(4, (1500.0, 6000.0), "bandpass", fs=RATE_HZ, output="sos")
    sound = sosfilt(band, noise)
    return 0.5 * sound / np.abs(sound).max()


def thud(seed):
    t = np.arange(4800) / RATE_HZ
    slap = np.exp(-t / 0.004) * np.random.default_rng(seed).standard_normal(4800)
    slap = sosfilt(butter(2, 4000.0, fs=RATE_HZ, output="sos"), slap)
    sound = np.exp(-t / 0.03) * np.sin(2 * np.pi * 120 * t) + 0.8 * slap
    return 0.06 * sound / np.abs(sound).max()


def swing_sound():
    """What announces a contact: soft, rising, 0.4 s long."""
    t = np.arange(19_200) / RATE_HZ
    return 0.06 * (t / 0.4) ** 2 * np.sin(2 * np.pi * (250.0 * t + 1200.0 * t**2))


CONTACT, SWING = contact_sound(), swing_sound()


@dataclass(frozen=True)
class Practice:
    """Eight reps: what was played, what the microphone heard, and what to look out for."""

    played: np.ndarray
    heard: np.ndarray  # shape (n, channels)
    marks: tuple[tuple[int, int, int, bool], ...]  # rep, frame, frames, withheld
    rate_hz: int = RATE_HZ

    def listen(self, sizes=(1024,), lost=()):
        """Heard reps; `sizes` are gone through again and again, `lost` are frames at which sound was lost."""
        listener = Listener(self.rate_hz, self.heard.shape[1])
        for expected in hearing_ranges(self.marks, self.rate_hz):
            listener.expect(expected)
        found, start, turn = [], 0, 0
        while start < len(self.heard):
            end = min(start + sizes[turn % len(sizes)], len(self.heard))
            xrun = any(start <= frame < end for frame in lost)
            heard = self.heard[start:end].astype(np.float32)
            played = self.played[start:end, None].astype(np.float32)
            found += listener.feed(Block(start, heard, played, xrun))
            start, turn = end, turn + 1
        found += listener.finish()
        assert [each.rep for each in found] == [mark[0] for mark in self.marks]
        return found

    def touchdowns_ms(self, **how):
        return touchdowns_ms(self.listen(**how), self.rate_hz)


def touchdowns_ms(found, rate_hz=RATE_HZ):
    """After the contact; None where none was found or told."""
    return [
        None if each.void or each.landing is None else 1e3 * (each.landing.touchdown.at - each.contact.at) / rate_hz
        for each in found
    ]


def practice(
    delays_ms=DELAYS_MS,
    *,
    latency_s=LATENCY_S,
    steps_s=(0.0,) * 8,
    noise=4e-3,
    withheld=(),
    seed=0,
    gain=1.0,
    lead_in=True,
):
    """`steps_s` are added to the latency rep by rep; a delay of None is no landing."""
    frames = round(SECONDS * RATE_HZ)
    played, heard, marks = np.zeros(frames), np.zeros(frames), []
    for rep, (contact_s, delay_ms, step_s) in enumerate(zip(CONTACTS_S, delays_ms, steps_s, strict=True)):
        at = round(contact_s * RATE_HZ)
        late = at + round((latency_s + step_s) * RATE_HZ)
        marks.append((rep, at, 0 if rep in withheld else len(CONTACT), rep in withheld))
        sounds = [(-len(SWING), SWING)] * lead_in + [(0, CONTACT)] * (rep not in withheld)
        for place, sound in sounds:
            played[at + place : at + place + len(sound)] = sound
            for way, share in ((0, 0.3), (310, 0.12), (1190, 0.06)):
                start = late + place + way
                heard[start : start + len(sound)] += share * sound
        if delay_ms is not None:
            for after_ms, share in ((delay_ms, 1.0), (delay_ms + STAGGER_MS, 0.8)):
                foot = late + round(after_ms * RATE_HZ / 1e3)
                heard[foot : foot + 4800] += share * thud(40 + rep)
    heard += noise * np.random.default_rng(seed).standard_normal(frames)
    return Practice(played, gain * heard[:, None], tuple(marks))


PLAIN = practice()
