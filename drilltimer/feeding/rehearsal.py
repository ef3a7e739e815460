"""A simulated feeder and player: what a coach can rehearse with, keys and all, before anybody is on the court."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from itertools import count

from drilltimer.app.plan import make_plan
from drilltimer.errors import UserError
from drilltimer.model import Block, Cue, Health, Placement, Rep, Sound
from drilltimer.sim.player import SKILLS, SimulatedPlayer
from drilltimer.sim.room import SimulatedRoom
from drilltimer.sim.settings import PRESETS
from drilltimer.sound.mixer import Mixer
from drilltimer.sound.render import render
from drilltimer.units import frames_from_s

DRILL = "random-contact"  # at whose pace the feeder strikes, over and over
STROKE = "racket"
AHEAD_S = 4.0  # a player must see a stroke coming


class Rehearsal:
    """An `AudioStream`: a simulated room in which a feeder strikes, and nobody is told when.

    Parameters
    ----------
    placement : Placement
        Where feeder, player and microphone are, the feeder in the loudspeaker's place.
    speed : float
        As `SimulatedRoom` takes it.

    Raises
    ------
    UserError
        There is no player of that skill.
    """

    def __init__(self, skill: str, seed: int, placement: Placement, speed: float) -> None:
        if skill not in SKILLS:
            raise UserError(f"there is no simulated player {skill!r}", fix=f"Skills: {', '.join(SKILLS)}.")
        settings = replace(PRESETS["quiet"], placement=placement)
        self._room = SimulatedRoom(settings, SimulatedPlayer(SKILLS[skill], seed), seed, output_channels=2, speed=speed)
        self.rate_hz, self.input_channels, self.output_channels = self._room.rate_hz, 1, 2
        self._stroke = render(STROKE, self.rate_hz)
        self._mixer = Mixer(self.rate_hz, 2)  # of what the program says, which alone it knows of
        self._seed, self._rounds, self._index = seed, count(), count()
        self._coming: deque[Rep] = deque()
        self._begins_s = 0.0
        self._heard = 0

    def start(self) -> None:
        """Begin; the first block starts at frame 0."""
        self._room.start()

    def play(self, start: int, sound: Sound, cue: Cue, rep: Rep | None = None) -> None:
        """Add a sound of the program's own; the player answers strokes alone."""
        self._mixer.add(start, sound, cue.pan, cue.gain_db)
        self._room.play(start, sound, cue)

    def read(self) -> Block:
        """What the microphone hears, at the pace of the clock if one is set."""
        while self._next().contact_s + self._begins_s < self._heard / self.rate_hz + AHEAD_S:
            rep = self._coming.popleft()
            at = frames_from_s(self._begins_s + rep.contact_s, self.rate_hz)
            rep = replace(rep, index=next(self._index), start_s=rep.contact_s, call=None)
            self._room.play(at, self._stroke, Cue("contact", STROKE, 0.0), rep)
        block = self._room.read()
        self._heard += len(block.samples)
        return replace(block, played=self._mixer.mix(block.start, len(block.samples)))

    def silence(self) -> None:
        """Drop what was said and has not sounded."""
        self._mixer.clear()

    def health(self) -> Health:
        """The room's."""
        return self._room.health()

    def close(self) -> None:
        """Nothing to give back."""

    def _next(self) -> Rep:
        if not self._coming:
            reps = make_plan(DRILL, self._seed + next(self._rounds)).reps
            self._begins_s = self._heard / self.rate_hz + AHEAD_S
            self._coming.extend(rep for rep in reps if not rep.withheld)
        return self._coming[0]
