"""A stream that can be opened again: one clock over every loss of the device.

A device is back when it sounds: a sound server that stands still lets streams be opened and started.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from drilltimer.errors import DeviceError
from drilltimer.model import AudioStream, Block, Cue, Health, Rep, Sound

Open = Callable[[], AudioStream]


class LastingStream:
    """An `AudioStream` on whichever stream is open at the moment; its frames count on as if nothing had happened.

    Parameters
    ----------
    first : AudioStream
        Open, not yet started.
    again : callable, optional
        Opens the same device once more, not yet started; raises `DeviceError` while it is away. None: a loss is
        final.
    """

    def __init__(self, first: AudioStream, again: Open | None = None) -> None:
        self.rate_hz = first.rate_hz
        self.input_channels = first.input_channels
        self.output_channels = first.output_channels
        self.losses = 0
        self._stream = first
        self._again = again
        self._base = 0  # our frame at which the open stream's frame 0 lies
        self._end = 0
        self._before = Health()
        self._first: Block | None = None  # of a stream that was opened again, not yet handed out

    @property
    def can_return(self) -> bool:
        """Whether there is a way to open the device again."""
        return self._again is not None

    def start(self) -> None:
        """Let sound run; the first block starts at frame 0."""
        self._stream.start()

    def play(self, start: int, sound: Sound, cue: Cue, rep: Rep | None = None) -> None:
        """Add `sound` to the output, its first sample at our frame `start`."""
        self._stream.play(start - self._base, sound, cue, rep)

    def silence(self) -> None:
        """Drop what has not sounded."""
        self._stream.silence()

    def read(self) -> Block:
        """Next block. Raises `DeviceError` when the device is lost; `reopen` may then bring it back."""
        block, self._first = self._first or self._stream.read(), None
        block = replace(block, start=block.start + self._base)
        self._end = block.start + len(block.samples)
        return block

    def reopen(self) -> bool:
        """Try once to open the device again, to start it and to hear its first block; False while it is away.

        A sound server that stands still lets streams be opened and started: only sound is a sign of life.

        Raises
        ------
        DeviceError
            It came back with another rate or other channels, for which this session's sounds are not made.
        """
        if self._again is None:
            return False
        self._retire()
        try:
            stream = self._again()
        except DeviceError:
            return False
        ours = (self.rate_hz, self.input_channels, self.output_channels)
        if (stream.rate_hz, stream.input_channels, stream.output_channels) != ours:
            stream.close()
            raise DeviceError(
                f"the sound device came back at {stream.rate_hz} Hz instead of {self.rate_hz} Hz",
                fix="Begin a new session on it.",
            )
        try:
            stream.start()
            self._first = stream.read()
        except DeviceError:
            stream.close()
            return False
        self._stream, self._base = stream, self._end
        self._retired = False
        self.losses += 1
        return True

    _retired = False

    def _retire(self) -> None:
        """Close the lost stream, once, and keep its counts."""
        if not self._retired:
            self._before = self.health()
            self._stream.close()
            self._retired = True

    def health(self) -> Health:
        """Counts over all streams so far."""
        if self._retired:
            return self._before
        now, before = self._stream.health(), self._before
        worst = [ms for ms in (before.worst_callback_ms, now.worst_callback_ms) if ms is not None]
        return replace(
            now,
            blocks=before.blocks + now.blocks,
            xruns=before.xruns + now.xruns,
            worst_callback_ms=max(worst, default=None),
            notes=tuple(dict.fromkeys((*before.notes, *now.notes))),
        )

    def close(self) -> None:
        """End; may be called twice."""
        self._retire()
