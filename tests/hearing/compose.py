"""Sessions without end, put together on the accelerator: players and strangers of some scenes on the stages of others.

What a reader learns by heart of some thousand scenes is no use to it elsewhere. Here no two sessions are alike:
stages (what the ear has left of a rep without anybody in it) get footfalls and strangers of other rooms, at new
moments, levels and pitches, through new filters. Sound adds up, so the sum is what the ear would have heard, but for
what the player's sound changes in the removal of our own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from drilltimer.hear.ear import CUT_HZ
from drilltimer.hear.picture import (
    BANDS,
    COLUMN_S,
    FRAME_HOPS,
    FRAME_S,
    FRAMES,
    FROM_S,
    HOP_S,
    LEAKAGE,
    LEAST,
    MOST,
    NEPERS,
    ORDER,
    PICK_EDGES_HZ,
    PREDICTOR,
    QUIET,
    _band_edges,
)
from drilltimer.sim.acoustics import LEAD
from tests.hearing.lessons import NEVER, PAD_HOPS, STAGE_HOPS, EmptyStage
from tests.hearing.stage import LEVEL_BAND_HZ, MICROPHONES, Layers, microphone_sections

RATE_HZ = 16_000
HOP, FRAME = round(HOP_S * RATE_HZ), round(FRAME_S * RATE_HZ)
SAMPLES = STAGE_HOPS * HOP
FIRST_MIDDLE = PAD_HOPS * HOP + FRAME // 2 + HOP // 2  # sample in the middle of column 0
STEP = FRAME_HOPS * HOP
WAVE, SPECTRUM = 12_000, 16_384  # samples kept of a footfall or a stranger, and of the transform that filters it
SPOTS, STRIKES, OUTSIDE = 3, 4, 8  # where a player lands; strikes kept of each place; strangers of a scene
PUBLISHED = 0.5  # share of sessions that move as the development recordings' players do
EVENTS = 12  # of a rep, that are kept


def keep_layers(layers: Layers, stages: list[EmptyStage], allowed: Iterable[tuple[float, float]]) -> dict:
    """Arrays of what a scene lends to others; all scenes' together by `np.stack`."""
    residual = np.array([stage.residual for stage in stages])
    there = ~np.isnan(residual)
    loudest = np.maximum(np.nanmax(np.abs(residual), axis=1), 1e-9)
    whole = np.round(np.nan_to_num(residual) / loudest[:, None] * 32767.0)

    def kept(waves: list[np.ndarray], count: int) -> np.ndarray:
        out = np.zeros((count, WAVE), np.int16)
        for row, wave in enumerate(waves[:count]):
            piece = wave[:WAVE] / max(float(np.abs(wave[:WAVE]).max(initial=0.0)), 1e-12)
            piece[-600:] *= np.linspace(1.0, 0.0, len(piece[-600:]))
            out[row, : len(piece)] = np.round(piece * 32767.0)
        return out

    logs = (np.log(np.maximum([getattr(stage, name) for stage in stages], 1e-14)) for name in ("own", "left"))
    own, left = (each.astype(np.float16) for each in logs)
    return {
        "residual": whole.astype(np.int16),
        "loudest": loudest.astype(np.float32),
        "there": np.array([(np.argmax(row), SAMPLES - np.argmax(row[::-1])) for row in there], np.int32),
        "own": own,
        "left": left,
        "contact": np.array([stage.contact for stage in stages], np.float32),
        "allowed": np.array(list(allowed), np.float32),
        "strikes": kept(layers.strikes, (SPOTS + 1) * STRIKES),
        "outside": kept(layers.outside, OUTSIDE),
        "scene": np.array(
            [
                layers.noise_rms,
                layers.cue_db,
                list(MICROPHONES).index(layers.microphone),
                min(OUTSIDE, len(layers.outside)),
            ],
            np.float32,
        ),
    }


class Composer:
    """Draws sessions; `pool` are the arrays of `keep_layers` on the device, scenes first."""

    def __init__(self, torch, device: str, seed: int) -> None:
        self._torch, self._device = torch, device
        self._generator = torch.Generator(device=device).manual_seed(seed)
        self.pool: dict = {}
        microphones = [self._response(microphone_sections(kind, RATE_HZ)) for kind in MICROPHONES]
        self._microphones = torch.stack(microphones) * self._butter(CUT_HZ, "highpass", SPECTRUM)
        self._level_band = self._butter(LEVEL_BAND_HZ, "bandpass", SPECTRUM)
        low, high = PICK_EDGES_HZ
        kinds = ((low, "lowpass"), (PICK_EDGES_HZ, "bandpass"), (high, "highpass"))
        self._size = 1 << math.ceil(math.log2(SAMPLES + 2000))
        self._pickers = [self._butter(edges, kind, self._size) for edges, kind in kinds]
        self._window = torch.from_numpy(np.hanning(FRAME + 1)[:-1]).float().to(device)
        _, first, last = _band_edges(RATE_HZ)
        sums = np.zeros((FRAME + 1, BANDS))
        for band, (a, b) in enumerate(zip(first, last, strict=True)):
            sums[a:b, band] = 1.0 / (b - a)
        self._sums = torch.from_numpy(sums).float().to(device)

    def __len__(self) -> int:
        return len(self.pool["contact"]) if self.pool else 0

    def renew(self, paths: Iterable[Path]) -> None:
        """Add scenes kept in files."""
        parts = [dict(np.load(path)) for path in paths]
        for key in parts[0] if parts else ():
            fresh = [self._torch.from_numpy(part[key]).to(self._device) for part in parts]
            self.pool[key] = self._torch.cat([*([self.pool[key]] if key in self.pool else []), *fresh])

    def sessions(self, count: int):
        """So many sessions, as `Lessons` keeps them: columns, times, events."""
        torch, pool = self._torch, self.pool
        stage = self._whole(0, len(self), count)
        reps = pool["contact"].shape[1]
        at, sounding, role, level, place, shoe = self._moves(count, reps, pool["contact"][stage])
        noise_rms, cue_db, microphone = pool["scene"][stage, :3].unbind(1)
        snr = torch.where(self._rand(count) < 0.75, 3.0 + 21.0 * self._rand(count), 24.0 + 18.0 * self._rand(count))
        snr = torch.maximum(torch.minimum(snr, cue_db + 8.0), cue_db - 19.0)
        sound = pool["residual"][stage].float() * (pool["loudest"][stage] / 32767.0)[:, :, None]
        sound = self._with_another(sound, noise_rms)
        sample = torch.round(FIRST_MIDDLE + STEP * at).long()
        # Shoes, strangers, and their new sound, session by session.
        worn, strange = self._whole(0, len(self), count, 4), self._whole(0, len(self), count)
        some = torch.nonzero(sounding.flatten())[:, 0]
        session = some // (reps * at.shape[2])
        which, row = role.flatten()[some], some // at.shape[2]
        foot = which != 3
        kind = shoe.flatten()[some]
        scene = torch.where(foot, worn[session, kind], strange[session])
        strangers = pool["scene"][scene, 3].long()
        strike = torch.where(foot, place.flatten()[some], 0)
        other = (self._rand(len(some)) * strangers.clamp(min=1)).long()
        waves = torch.where(foot[:, None], pool["strikes"][scene, strike], pool["outside"][scene, other]).float()
        waves = self._retuned(waves, session * 5 + torch.where(foot, kind, 4), count * 5)
        spectra = torch.fft.rfft(waves, SPECTRUM) * self._microphones[microphone.long()[session]]
        spectra = spectra * self._colours(count * 5)[session * 5 + torch.where(foot, kind, 4)]
        peak = torch.fft.irfft(spectra * self._level_band, SPECTRUM)[:, :4000].abs().amax(dim=1)
        gain = noise_rms[session] * 10.0 ** ((snr[session] + level.flatten()[some]) / 20.0)
        gain = gain * (foot | (strangers > 0)) / peak.clamp(min=1e-9)
        waves = torch.fft.irfft(spectra, SPECTRUM)[:, :WAVE] * gain[:, None]
        begin = sample.flatten()[some] - LEAD
        grid = torch.arange(WAVE, device=self._device)
        target = begin[:, None] + grid
        inside = (target >= 0) & (target < SAMPLES)
        target = row[:, None] * SAMPLES + target.clamp(0, SAMPLES - 1)
        flat = sound.reshape(-1)
        flat.index_add_(0, target.flatten(), (waves * inside).flatten())
        columns = self.draw(
            flat.reshape(-1, SAMPLES), *(pool[key][stage].flatten(0, 1) for key in ("there", "own", "left"))
        )
        return [columns.unflatten(0, (count, reps)), *self._truth(sample, sounding, role, pool["allowed"][stage])]

    def draw(self, sound, there, own, left):
        """Pictures as `draw_picture` and `Picture.columns` make them; shape (reps, CHANNELS, FRAMES).

        `sound` of shape (reps, SAMPLES), recorded from sample to sample as `there` says; logs of `own` and `left`.
        """
        torch = self._torch
        grid = torch.arange(SAMPLES, device=self._device)
        recorded = (grid >= there[:, :1]) & (grid < there[:, 1:])
        sound = sound * recorded
        predictor = self._predictor(sound, there)
        padded = torch.nn.functional.pad(sound, (PREDICTOR, 0))
        white = torch.nn.functional.conv1d(padded[None], predictor.flip(1)[:, None], groups=len(sound))[0]
        power = self._band_powers(white)  # (reps, BANDS, hops)
        hops = power.shape[2]
        starts = HOP * torch.arange(hops, device=self._device)
        seen = (starts >= there[:, :1]) & (starts + FRAME <= there[:, 1:])
        spectrum = torch.fft.rfft(predictor, 2 * FRAME).abs() ** 2
        gains = (spectrum @ self._sums)[:, :, None]
        noise = torch.nanmedian(torch.where(seen[:, None], power, math.nan), dim=2, keepdim=True)[0] / math.log(2)
        quiet = QUIET * (predictor**2).sum(dim=1) * FRAME
        noise = torch.maximum(torch.nan_to_num(noise, nan=1.0), quiet[:, None, None])

        def pairs(rows):
            return rows[:, :, PAD_HOPS : PAD_HOPS + FRAME_HOPS * FRAMES].unflatten(2, (FRAMES, FRAME_HOPS)).mean(dim=3)

        lost = ~(seen[:, None, PAD_HOPS : PAD_HOPS + FRAME_HOPS * FRAMES].unflatten(2, (FRAMES, FRAME_HOPS)).all(dim=3))
        own = gains * own.float().exp()
        left = torch.maximum(gains * left.float().exp(), LEAKAGE * own.amax(dim=1, keepdim=True))
        fine = []
        spectrum = torch.fft.rfft(white, self._size)
        for picker in self._pickers:
            part = torch.fft.irfft(spectrum * picker, self._size)[:, :SAMPLES]
            energy = (part**2).unflatten(1, (STAGE_HOPS, HOP)).sum(dim=2)
            in_hop = seen[:, : energy.shape[1]]
            typical = torch.nanmedian(torch.where(in_hop, energy[:, : in_hop.shape[1]], math.nan), dim=1, keepdim=True)[
                0
            ]
            exact = torch.nn.functional.pad((part**2).cumsum(dim=1, dtype=torch.float64), (1, 0))
            edges = FIRST_MIDDLE - HOP + HOP * torch.arange(FRAME_HOPS * FRAMES + 1, device=self._device)
            sums = exact[:, edges].diff(dim=1).float() / torch.nan_to_num(typical, nan=1.0).clamp(min=1e-20)
            fine += list(sums.unflatten(1, (FRAMES, FRAME_HOPS)).unbind(2))
        fine = torch.stack(fine, dim=1)
        time = ((FROM_S + COLUMN_S * torch.arange(FRAMES, device=self._device)) / 0.5).expand(len(sound), 1, -1)
        seen_rows = torch.cat(
            [
                (pairs(power) / noise).clamp(min=1e-6).log().clamp(LEAST, MOST) / NEPERS,
                (left / noise).log1p() / NEPERS,
                (own / noise).log1p() / NEPERS,
                fine.clamp(min=1e-6).log().clamp(LEAST, MOST) / NEPERS,
                time,
            ],
            dim=1,
        )
        return torch.cat([seen_rows * ~lost, lost.float()], dim=1)

    def _moves(self, count: int, reps: int, contact):
        """What sounds when: fractional columns, whether, roles (0 first, 1 before, 2 after, 3 stranger, 4 second), dB.

        All of shape (count, reps, sounds), with the strike that each is, of which of the player's shoes.
        """
        torch, rand = self._torch, self._rand
        by_session, by_rep = (count, 1), (count, reps)
        published = rand(*by_session) < PUBLISHED

        def pick(one, other):
            return torch.where(published, one, other)

        def normal(*shape):
            return torch.randn(*shape, generator=self._generator, device=self._device)

        gamma = -(torch.stack([rand(*by_rep) for _ in range(4)]).clamp(min=1e-6).log().sum(dim=0)) * 0.055
        # The development recordings' players never land from 30 ms before to 60 ms after the contact; these do, or else
        # a landing that comes with the contact passes for what is left of our own sound.
        usual = torch.where(rand(*by_rep) < 0.15, -0.16 + 0.22 * rand(*by_rep), gamma.clamp(0.0, 0.5))
        centre, spread = -0.06 + 0.38 * rand(*by_session), 0.02 + 0.09 * rand(*by_session)
        shift = 0.12 * (rand(*by_session) < 0.4) * (torch.arange(reps, device=self._device) >= reps // 2)
        any_time = torch.where(
            rand(*by_rep) < 0.35, -0.25 + 0.85 * rand(*by_rep), centre + shift + spread * normal(*by_rep)
        )
        landing = pick(usual, any_time.clamp(-0.27, 0.66))
        landed = rand(*by_rep) >= pick(torch.tensor(0.09, device=self._device), torch.tensor(0.12, device=self._device))
        level = (0.5 + 3.5 * rand(*by_session)) * normal(*by_rep)
        doubled = landed & (
            rand(*by_rep) < pick(torch.full(by_session, 0.6, device=self._device), 0.2 + 0.7 * rand(*by_session))
        )
        gap = pick(0.005 + 0.055 * rand(*by_rep), (0.028 * (0.6 * normal(*by_rep)).exp()).clamp(0.005, 0.085))
        second_level = level + (3.0 * normal(*by_rep) - 0.5).clamp(-9.0, 9.0)
        loudest = torch.where(doubled, torch.maximum(level, second_level), level)
        # Before: a step, a run-up of two, bounces on the toes, or nothing.
        approach = landed & (rand(*by_session) < 0.55)
        kind = rand(*by_rep)
        one, two, toes = (kind >= 0.25) & (kind < 0.6), (kind >= 0.6) & (kind < 0.8), kind >= 0.8
        step = torch.where(rand(*by_rep) < 0.8, 0.2 + 0.25 * rand(*by_rep), 0.13 + 0.47 * rand(*by_rep))
        bounce = 0.2 + 0.2 * rand(*by_rep)
        bounces = (2 + (3 * rand(*by_rep)).long()) * toes
        before, before_level, stepped = [], [], []
        for place in range(4):
            ago = torch.where(toes, bounce, step if place == 0 else 0.5 + 0.15 * rand(*by_rep))
            ago = torch.where(two & (place == 0), 0.22 + 0.13 * rand(*by_rep), ago)
            bounce = bounce + 0.25 + 0.15 * rand(*by_rep)
            low, high = (
                pick(torch.tensor(-12.0, device=self._device), torch.tensor(-16.0, device=self._device)),
                pick(torch.tensor(0.0, device=self._device), torch.tensor(3.0, device=self._device)),
            )
            loud = torch.where(toes, -18.0 + 12.0 * rand(*by_rep), low + (high - low) * rand(*by_rep))
            before.append(landing - ago)
            before_level.append(loudest + loud)
            stepped.append(approach & torch.where(toes, bounces > place, (one & (place == 0)) | (two & (place < 2))))
        # After: a first step and perhaps more.
        least = pick(torch.tensor(0.2, device=self._device), torch.tensor(0.13, device=self._device))
        share = pick(torch.full(by_session, 0.6, device=self._device), 0.2 + 0.7 * rand(*by_session))
        pause = least + (0.6 - least) * rand(*by_rep)
        pause = torch.where(rand(*by_rep) < 0.2, 0.115 + 0.06 * rand(*by_rep), pause)  # a guess comes as soon as it can
        later = landing + gap * doubled + pause
        after_level = level + 3.5 * normal(*by_rep) - 4.0
        goes = landed & (rand(*by_rep) < share)
        after, after_levels, went = [], [], []
        for _ in range(3):
            after.append(later)
            after_levels.append(after_level)
            went.append(goes)
            later = later + 0.18 + 0.27 * rand(*by_rep)
            after_level = after_level + 3.0 * normal(*by_rep)
            goes = goes & (rand(*by_rep) < 0.4)
        # A player who does not land may shuffle, long before or after.
        shuffles = ~landed & ~published & (rand(*by_rep) < 0.25)
        stray = [torch.where(rand(*by_rep) < 0.5, 0.75 + 0.45 * rand(*by_rep), -0.59 + 0.1 * rand(*by_rep))]
        often = (0.08 + 0.4 * rand(*by_session)) * (rand(*by_session) < 0.55)
        strange = [-0.7 + 1.9 * rand(*by_rep) for _ in range(3)]
        at = torch.stack([landing, landing + gap, *before, *after, *stray, *strange], dim=2)
        sounding = [landed, doubled, *stepped, *went, shuffles, *(rand(*by_rep) < often for _ in range(3))]
        levels = [level, second_level, *before_level, *after_levels, -14.0 + 10.0 * rand(*by_rep)]
        levels += [-12.0 + 18.0 * rand(*by_rep) for _ in range(3)]
        roles = torch.tensor([0, 4, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3], device=self._device).expand_as(at)
        spot = self._whole(0, SPOTS, *by_rep)[:, :, None]
        strike = self._whole(0, STRIKES, *at.shape)
        place = torch.where((roles == 0) | (roles == 4), spot, SPOTS) * STRIKES + strike
        mixed = (rand(*by_session) < torch.where(published, 0.6, 0.45))[:, :, None]
        shoe = (self._whole(0, 4, *by_rep)[:, :, None] * mixed).expand_as(at)
        sounds, loud = torch.stack(sounding, dim=2), torch.stack(levels, dim=2)
        return contact[:, :, None] + at / COLUMN_S, sounds, roles, loud, place, shoe

    def _truth(self, sample, sounding, role, allowed):
        """Times and events as `Lessons` keeps them."""
        torch = self._torch
        column = (sample - FIRST_MIDDLE) / STEP
        at = torch.where(sounding, column, NEVER)
        times = torch.stack([at[:, :, 0], at[:, :, 1], at[:, :, 6], allowed[..., 0], allowed[..., 1]], dim=2)
        others = torch.nn.functional.pad(at[:, :, 2:], (0, EVENTS - at.shape[2] + 2), value=NEVER)
        others = torch.where((others >= 0) & (others < FRAMES), others, NEVER)
        role = torch.nn.functional.pad(role[:, :, 2:].float(), (0, EVENTS - role.shape[2] + 2))
        events = torch.stack([others, torch.where(others > NEVER, role, NEVER)], dim=3)
        return times.float(), events.float()

    def _with_another(self, sound, noise_rms):
        """On some stages, another's noise too: at any moment of it, and as loud as the stage's own or softer."""
        torch, count = self._torch, len(sound)
        other = self._whole(0, len(self), count)
        rep = self._whole(0, sound.shape[1], count, sound.shape[1])
        by_db = -12.0 + 14.0 * self._rand(count)
        gain = noise_rms / self.pool["scene"][other, 0] * 10.0 ** (by_db / 20.0) * (self._rand(count) < 0.25)
        more = self.pool["residual"][other[:, None], rep].float()
        more = more * (self.pool["loudest"][other[:, None], rep] / 32767.0)[:, :, None]
        turn = self._whole(0, SAMPLES, count, sound.shape[1])[:, :, None]
        more = more.gather(2, (torch.arange(SAMPLES, device=self._device) + turn) % SAMPLES)
        return sound + more * gain[:, None, None]

    def _retuned(self, waves, group, groups: int):
        """Another pitch, and for some a shorter ring."""
        torch = self._torch
        speed = 2.0 ** (0.5 * self._rand(groups) - 0.25) * (self._rand(groups) < 0.6)
        speed = torch.where(speed == 0.0, 1.0, speed)[group]
        fade = 0.02 * 15.0 ** self._rand(groups)
        fade = torch.where(self._rand(groups) < 0.3, fade, 1e9)[group]
        after = torch.arange(WAVE, device=self._device) - LEAD
        at = (LEAD + after * speed[:, None]).clamp(0, WAVE - 1)
        low = at.floor().long().clamp(max=WAVE - 2)
        part = at - low
        out = waves.gather(1, low) * (1.0 - part) + waves.gather(1, low + 1) * part
        out = out * (LEAD + after * speed[:, None] < WAVE - 1)
        return out * torch.exp(-after.clamp(min=0) / (fade * RATE_HZ)[:, None])

    def _colours(self, count: int):
        """Causal filters of random curves: the folded cepstrum (Oppenheim and Schafer 1989, from memory)."""
        torch, points = self._torch, SPECTRUM // 2 + 1
        knots = torch.randn(count, 1, 7, generator=self._generator, device=self._device)
        curve = torch.nn.functional.interpolate(knots, size=256, mode="linear", align_corners=True)[:, 0]
        octave = torch.linspace(0, RATE_HZ / 2, points, device=self._device).clamp(min=60.0).div(60.0).log2()
        at = octave / octave.max() * 255.0
        low = at.floor().long().clamp(max=254)
        logs = curve[:, low] + (curve[:, low + 1] - curve[:, low]) * (at - low)
        logs = 0.6 * logs * (self._rand(count) < 0.7)[:, None]
        cepstrum = torch.fft.irfft(logs + 0j, SPECTRUM)
        cepstrum[:, 1 : SPECTRUM // 2] *= 2.0
        cepstrum[:, SPECTRUM // 2 + 1 :] = 0.0
        return torch.exp(torch.fft.rfft(cepstrum))

    def _predictor(self, sound, there):
        """As `fit_predictor`, for many."""
        torch = self._torch
        size, hop = 512, 256
        pieces = sound.unfold(1, size, hop) * torch.from_numpy(np.hanning(size)).float().to(self._device)
        power = torch.fft.rfft(pieces).abs() ** 2
        starts = hop * torch.arange(power.shape[1], device=self._device)
        seen = (starts >= there[:, :1]) & (starts + size <= there[:, 1:])
        power = torch.nanmedian(torch.where(seen[:, :, None], power, math.nan), dim=1)[0]
        power = torch.nan_to_num(power, nan=1.0).clamp(min=1e-16).double()
        power[:, 0] = power[:, 1]
        auto = torch.fft.irfft(power)
        lags = (torch.arange(PREDICTOR)[:, None] - torch.arange(PREDICTOR)).abs().to(self._device)
        matrix = auto[:, lags] + torch.diag_embed(1e-4 * auto[:, :1].expand(-1, PREDICTOR))
        taps = torch.linalg.solve(matrix, auto[:, 1 : PREDICTOR + 1])
        return torch.cat([torch.ones_like(taps[:, :1]), -taps], dim=1).float()

    def _band_powers(self, white):
        torch, rows = self._torch, []
        for piece in white.split(64):
            spectra = torch.fft.rfft(piece.unfold(1, FRAME, HOP) * self._window, 2 * FRAME)
            rows.append((spectra.real**2 + spectra.imag**2) @ self._sums)
        return torch.cat(rows).transpose(1, 2)

    def _response(self, sections, size: int = SPECTRUM):
        from scipy.signal import sosfreqz

        _, response = sosfreqz(sections, np.linspace(0.0, np.pi, size // 2 + 1))
        return self._torch.from_numpy(response.astype(np.complex64)).to(self._device)

    def _butter(self, edges_hz, kind: str, size: int):
        from scipy.signal import butter

        return self._response(butter(ORDER, edges_hz, kind, fs=RATE_HZ, output="sos"), size)

    def _rand(self, *shape: int):
        return self._torch.rand(*shape, generator=self._generator, device=self._device)

    def _whole(self, low: int, high: int, *shape: int):
        return self._torch.randint(low, high, shape, generator=self._generator, device=self._device)
