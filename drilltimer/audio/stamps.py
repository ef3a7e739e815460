"""Sound lost without a flag, told by the time stamps of the input blocks.

Notes
-----
Measured through ALSA on PipeWire: after a stall the stamps step by exactly the sound that was lost, mostly without
any status flag. Elsewhere stamps may be absent (always zero) or scatter by tens of milliseconds; such a series tells
nothing and is no longer asked.
"""

from __future__ import annotations

from drilltimer.units import s_from_frames

STEP_S = 0.002
ENOUGH_BLOCKS = 40  # before a series is judged
SCATTER_SHARE = 0.25  # of blocks that step: no stream loses that much and still runs


class Stamps:
    """Watches one stream's stamps."""

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self.trusted = True
        self._due_s: float | None = None
        self._blocks = self._steps = 0

    def stepped(self, adc_s: float, frames: int) -> bool:
        """Tell whether this block's stamp is more than 2 ms off where the last block ended.

        Parameters
        ----------
        adc_s : float
            Time at which the block's first sample entered the converter, on the stream's own clock.
        frames : int
            Frames in the block.
        """
        if not self.trusted:
            return False
        step = self._due_s is not None and abs(adc_s - self._due_s) > STEP_S
        self._due_s = adc_s + s_from_frames(frames, self.rate_hz)
        self._blocks += 1
        self._steps += step
        if self._blocks == ENOUGH_BLOCKS:
            self.trusted = self._steps <= SCATTER_SHARE * ENOUGH_BLOCKS
            self._blocks = self._steps = 0  # judged anew, for a series may begin to scatter later
        return step
