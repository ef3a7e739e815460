"""Live feeding measured on scenes of our own: which contacts are heard, and are their touchdowns told rightly?

Each scene is heard twice, as `drilltimer feed RECORDING` does. The seeds lie beyond those that `tests/feeding/fit.py`
uses.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, replace

import numpy as np

from drilltimer.feeding.listener import Fed, FeedListener
from drilltimer.feeding.run import Asked
from drilltimer.feeding.spots import placed
from drilltimer.model import Block, Window
from drilltimer.units import air_delay_ms, ms_from_s
from tests.feeding.label import court_of
from tests.feeding.scene import Scene, Setting, make_scene

ANY_WINDOW = Window(0.0, 150.0, 300.0)
SEEDS = (5001, 5002, 5003)
CONTACT_S, LANDING_S, RIGHT_MS = 0.03, 0.05, 10.0  # as the development scenes' own evaluation has them
PLAIN = Setting(0, play="rally", room="hall", feeder="string", feeder_m=14.0, neighbours=False, snr_db=20.0)
FEED_HEADS = (
    "contacts", "precision", "recall", "F1", "answered rightly", "void", "touchdowns", "median |e| ms", "95 % |e| ms",
    "bias ms", "68 % of |e|/u", "s of computing a minute",
)  # fmt: skip


@dataclass(frozen=True)
class FeedCase:
    """A row of the table."""

    label: str
    setting: Setting


@dataclass(frozen=True)
class FeedFigures:
    """What a case came to. `errors` are (error, told uncertainty) in ms of the landings found."""

    contacts: int
    told: int
    found: int
    right: int
    void: int
    errors: tuple[tuple[float, float], ...]
    computing_s: float
    sound_s: float

    def row(self) -> list[str]:
        """Cells of the table."""
        precision, recall = self.found / max(self.told, 1), self.found / max(self.contacts, 1)
        error = np.array([each for each, _ in self.errors])
        beside = np.abs(error / np.array([sigma for _, sigma in self.errors]))
        quantiles = np.quantile(np.abs(error), (0.5, 0.95)) if len(error) else (math.nan, math.nan)
        return [
            str(self.contacts),
            f"{precision:.2f}",
            f"{recall:.2f}",
            f"{2 * precision * recall / max(precision + recall, 1e-9):.3f}",
            f"{100 * self.right / max(self.contacts, 1):.0f} %",
            str(self.void),
            str(len(error)),
            f"{quantiles[0]:.2f}",
            f"{quantiles[1]:.1f}",
            f"{np.median(error):+.2f}" if len(error) else "-",
            f"{np.quantile(beside, 0.68):.2f}" if len(error) else "-",
            f"{60 * self.computing_s / self.sound_s:.1f}",
        ]


def feed_cases() -> list[FeedCase]:
    """Every row."""
    rows = [(f"feeder {metres} m away", replace(PLAIN, feeder_m=float(metres))) for metres in (8, 14, 20)]
    rows += [(room, replace(PLAIN, room=room)) for room in ("outdoor", "small hall", "tent", "big hall")]
    rows += [("another court beside", replace(PLAIN, neighbours=True))]
    rows += [("fed by a machine", replace(PLAIN, play="feed", feeder="machine"))]
    rows += [("returns", replace(PLAIN, play="return")), ("paddles", replace(PLAIN, feeder="paddle"))]
    rows += [
        (f"contact {over_db} dB over a landing", replace(PLAIN, contact_over_landing_db=float(over_db)))
        for over_db in (0, 4, 8, 12, 16)
    ]
    rows += [(f"landings at {snr_db} dB", replace(PLAIN, snr_db=float(snr_db))) for snr_db in (10, 30)]
    return [FeedCase(label, setting) for label, setting in rows]


def measure_feeding(case: FeedCase) -> FeedFigures:
    """Make a case's scenes, hear them, and compare with their truth."""
    parts = [_measure(make_scene(replace(case.setting, seed=seed))) for seed in SEEDS]
    errors = tuple(pair for part in parts for pair in part.errors)
    return FeedFigures(
        *(sum(getattr(part, name) for part in parts) for name in ("contacts", "told", "found", "right", "void")),
        errors,
        sum(part.computing_s for part in parts),
        sum(part.sound_s for part in parts),
    )


def _measure(scene: Scene) -> FeedFigures:
    known = scene.truth["known"]
    machine = known["feeder"] == "machine"
    court = court_of(scene.truth)
    before_s = time.process_time()
    first = FeedListener(scene.rate_hz, 1, court)
    _hear(first, scene)
    told = _hear(FeedListener(scene.rate_hz, 1, court, first.learned), scene)
    spent_s = time.process_time() - before_s
    asked = Asked(
        known["play"], placed(**known["distances"], air_c=known["temperature_c"]), ANY_WINDOW, machine=machine
    )
    landings = {each["rep"]: each for each in scene.truth["landings"]}
    left, right, void, errors = list(told), 0, 0, []
    found = 0
    for contact in scene.truth["contacts"]:
        near = [each for each in left if abs(each.contact.at / scene.rate_hz - contact["mic_s"]) <= CONTACT_S]
        if not near:
            continue
        fed = min(near, key=lambda each: abs(each.contact.at / scene.rate_hz - contact["mic_s"]))
        left.remove(fed)
        found += 1
        void += bool(fed.void)
        landing = landings.get(contact["rep"])
        if landing is None:
            right += fed.landing is None and not fed.void
            continue
        error = _error(fed, landing, scene.rate_hz, asked)
        if error is not None:
            errors.append(error)
            right += abs(error[0]) <= RIGHT_MS
    return FeedFigures(
        len(scene.truth["contacts"]),
        len(told),
        found,
        right,
        void,
        tuple(errors),
        spent_s,
        len(scene.samples) / scene.rate_hz,
    )


def _hear(listener: FeedListener, scene: Scene) -> list[Fed]:
    told = []
    for start in range(0, len(scene.samples), scene.rate_hz):
        piece = scene.samples[start : start + scene.rate_hz, None]
        told += listener.feed(Block(start, piece, np.zeros((len(piece), 1), np.float32)))
    return told + listener.finish()


def _error(fed: Fed, landing: dict, rate_hz: int, asked: Asked) -> tuple[float, float] | None:
    """Error and told uncertainty of a touchdown, None where it is another sound's."""
    if fed.landing is None or abs(fed.landing.touchdown.at / rate_hz - landing["mic_s"]) > LANDING_S:
        return None
    touchdown, contact, place = fed.landing.touchdown, fed.contact, asked.placement
    way_ms = air_delay_ms(place.player_to_mic_m, place.air_c) - air_delay_ms(place.speaker_to_mic_m, place.air_c)
    after_ms = ms_from_s((touchdown.at - contact.at) / rate_hz) - way_ms
    sigma_ms = math.hypot(touchdown.uncertainty_ms, contact.uncertainty_ms, asked.doubt_ms)
    return after_ms - landing["after_contact_ms"], sigma_ms
