"""What the net is taught with: pictures of made scenes as the product's own ear draws them, and the right answers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drilltimer.hear.decide import Hypothesis
from drilltimer.hear.ear import CUT_HZ, Ear, Look
from drilltimer.hear.listen import ANALYSIS_RATE_HZ, Listener
from drilltimer.hear.picture import (
    BANDS,
    FRAME_HOPS,
    FRAME_S,
    FRAMES,
    HOP_S,
    LEAST_SHARE,
    SMEAR_S,
    Leftover,
    Picture,
    band_powers,
    draw_picture,
    filtered,
)
from drilltimer.model import Block
from drilltimer.session.layout import hearing_ranges
from tests.hearing.stage import Scene

NEVER = -1e4  # column of what did not happen
PAD_HOPS = 40  # of an empty stage before its first column, for filters to settle
STAGE_HOPS = PAD_HOPS + FRAME_HOPS * FRAMES + 8


@dataclass
class Lesson:
    """One rep: `columns` as the net takes them; moments as (fractional) columns, `NEVER` where there is none.

    `events` are other feet and impacts, as (column, role): 1 a step before, 2 a step after, 3 a stranger.
    """

    columns: np.ndarray
    allowed: tuple[int, int]
    first: float
    second: float
    step: float
    events: list[tuple[float, int]]


@dataclass
class EmptyStage:
    """One rep without the player and without strangers: a stage to put others on.

    `residual`, shape (STAGE_HOPS hops,), is what is left without our own sound either, NaN where nothing was recorded;
    `own` and `left`, shape (BANDS, FRAMES), are powers of our own sound as it was taken out and as it must be expected
    to be left, neither whitened; `contact` is the fractional column at which the contact arrived.
    """

    residual: np.ndarray
    own: np.ndarray
    left: np.ndarray
    contact: float


class TracedEar(Ear):
    """An ear that is told the answers, and keeps what it saw."""

    def __init__(self, analysis_rate_hz: float, rate_hz: float, scene: Scene, mask: bool) -> None:
        super().__init__(analysis_rate_hz, rate_hz)
        self.scene, self.mask = scene, mask
        self.first_s = {landing["rep"]: landing["mic_s"] for landing in scene.truth["landings"]}
        self.pictures: dict[int, tuple[Picture, float, float, float]] = {}
        self.stages: dict[int, EmptyStage] = {}
        self._start = 0

    def read(self, take, channel, expected, lags):
        """Keep where the take begins: the truth is in frames of the recording."""
        self._start, self._step = take.start, take.step
        return super().read(take, channel, expected, lags)

    def prepare(self, take, channel, expected, lags, samples):
        """As `read`."""
        self._start, self._step = take.start, take.step
        super().prepare(take, channel, expected, lags, samples)

    def _decide(self, seen: Look, rate_hz: float, rep: int) -> Hypothesis:
        leftovers = seen.leftovers
        if self.mask:
            leftovers = (*leftovers, self._strangers(seen, rate_hz))
        picture = draw_picture(seen.flat, leftovers, seen.own, seen.arrival, rate_hz)
        self.pictures[rep] = picture, seen.opens, seen.closes, self._start
        if self._step == 1:
            self.stages[rep] = self._emptied(seen, picture, rate_hz)
        at_s = self.first_s.get(rep)
        likely = 0.0 if at_s is None else (at_s * self._rate_hz - self._start) / self._step
        return Hypothesis(likely=likely, none=float(at_s is None))

    def _emptied(self, seen: Look, picture: Picture, rate_hz: float) -> EmptyStage:
        """Without anybody: all of it is added up, so all of it can be taken away."""
        from scipy.ndimage import maximum_filter1d

        layers, count = self.scene.layers, len(seen.residual)
        there = np.zeros(count)
        here = slice(self._start, self._start + count)
        piece = layers.feet[here] + self.scene.strangers[here]
        there[: len(piece)] = piece
        empty = seen.residual - filtered(there, "highpass", (CUT_HZ,), rate_hz)
        hop = seen.flat.hop
        first = round((picture.first - round(FRAME_S * rate_hz) / 2 - hop / 2) / hop)
        residual = np.full(STAGE_HOPS * hop, np.nan, np.float32)
        begin = (first - PAD_HOPS) * hop
        low, high = max(0, begin), min(count, begin + len(residual))
        residual[low - begin : high - begin] = empty[low:high]
        left = np.zeros_like(seen.own)
        for leftover in seen.leftovers:
            spread = maximum_filter1d(leftover.power, 2 * round(SMEAR_S / HOP_S) + 1, axis=1)
            left += np.maximum(leftover.share, LEAST_SHARE)[:, None] * spread
        return EmptyStage(
            residual, _columns(seen.own, first), _columns(left, first), float(picture.column(seen.arrival))
        )

    def _strangers(self, seen: Look, rate_hz: float) -> Leftover:
        """Strangers' sounds as another microphone would tell them: their powers, roughly."""
        rng = np.random.default_rng(self._start)
        begin = self._start
        piece = np.zeros(len(seen.residual))
        there = self.scene.strangers[begin : begin + len(piece)]
        piece[: len(there)] = there
        power, _ = band_powers(piece, rate_hz)
        return Leftover(power, np.full(len(power), 0.8 * 10.0 ** rng.uniform(-0.3, 0.3)))


def lessons_of(scene: Scene, seed: int, twice: bool = False) -> tuple[list[Lesson], list[EmptyStage]]:
    """Every rep of a scene as the ear sees it, the first time or the second; and what it stood on."""
    rng = np.random.default_rng([seed, 5])
    step = max(1, scene.rate_hz // ANALYSIS_RATE_HZ)
    ear = TracedEar(scene.rate_hz / step, scene.rate_hz, scene, bool(rng.random() < 0.15))
    hear_scene(scene, ear, (-0.03, 0.03) if rng.random() < 0.5 else (-0.005, 0.6), 2 if twice else 1)
    lessons = [
        _lesson(scene, rep, picture, opens, closes, start / scene.rate_hz)
        for rep, (picture, opens, closes, start) in ear.pictures.items()
    ]
    return lessons, [ear.stages[rep] for rep in ear.pictures if rep in ear.stages]


def hear_scene(scene: Scene, ear: Ear, lags_s: tuple[float, float], times: int) -> None:
    """Let an ear hear a scene so many times; with short lags it knows when contacts arrive, as of a recording."""
    rate_hz = scene.rate_hz
    played = np.zeros(len(scene.recorded), np.float32)
    delay = round(scene.truth["clock"]["offset_s"] * rate_hz)
    piece = scene.played[: len(played) - delay]
    played[delay : delay + len(piece)] = piece
    spans = [(rep, start + delay, frames, rep in scene.withheld) for rep, (start, frames) in scene.cue_frames.items()]
    if lags_s[0] < -0.02:
        ear.line.put((frame, scene.truth["speaker_to_mic_m"] / 343.0 * rate_hz) for frame in range(3))
    for _ in range(times):
        listener = Listener(rate_hz, 1, lags_s, [ear])
        for each in hearing_ranges(spans, rate_hz):
            listener.expect(each)
        for start in range(0, len(played), rate_hz):
            block = slice(start, start + rate_hz)
            listener.feed(Block(start, scene.recorded[block, None].astype(np.float32), played[block, None]))
        listener.finish()


def _columns(rows: np.ndarray, first: int) -> np.ndarray:
    """Means of two by two frames from `first` on, 0 outside; shape (BANDS, FRAMES)."""
    wanted = np.zeros((BANDS, FRAME_HOPS * FRAMES), np.float32)
    begin, end = max(first, 0), min(first + wanted.shape[1], rows.shape[1])
    wanted[:, begin - first : end - first] = rows[:, begin:end]
    return wanted.reshape(BANDS, FRAMES, FRAME_HOPS).mean(axis=2)


def _lesson(scene: Scene, rep: int, picture: Picture, opens: float, closes: float, start_s: float) -> Lesson:
    from drilltimer.hear.decide import allowed_columns

    analysis_hz = scene.rate_hz / max(1, scene.rate_hz // ANALYSIS_RATE_HZ)

    def column(at_s: float | None) -> float:
        return NEVER if at_s is None else float(picture.column((at_s - start_s) * analysis_hz))

    landing = next((each for each in scene.truth["landings"] if each["rep"] == rep), None)
    roles = {"approach_step": 1, "toe_bounce": 1, "first_step": 2, "later_step": 2, "distractor": 3}
    events = [(column(each["mic_s"]), roles[each["type"]]) for each in scene.truth["others"]]
    events += [(column(each["mic_s"]), 2) for each in scene.truth["landings"] if each["rep"] != rep]
    step = next(
        (each["mic_s"] for each in scene.truth["others"] if each["rep"] == rep and each["type"] == "first_step"), None
    )
    allowed = np.flatnonzero(allowed_columns(picture, opens, closes))
    span = (int(allowed[0]), int(allowed[-1]) + 1) if len(allowed) else (0, 0)
    return Lesson(
        picture.columns(),
        span,
        column(landing["mic_s"] if landing else None),
        column(landing["mic2_s"] if landing else None),
        column(step),
        [event for event in events if 0 <= event[0] < FRAMES],
    )
