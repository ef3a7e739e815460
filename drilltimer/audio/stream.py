"""The sound card as one full-duplex stream with one clock.

PortAudio's thread stamps a block, mixes what is due, copies both into a ring, counts; nothing else. Everything that
may wait, fail or complain happens in `SoundCard.read`.

Notes
-----
No exception reaches Python when a device is lost: callbacks end, or stop without a word, or go on with zeros. Each is
noticed here by its own sign. `Stream.stop` waits for a device that may be gone for good, so streams are aborted.

At least 0.1 s of latency each way is asked for: cues are planned ahead and verdicts come later, so latency is no error
and a lost block is. Shorter buffers lost sound on a busy machine (measured on PipeWire).
"""

from __future__ import annotations

import threading
import time
from typing import Any

from drilltimer.audio.devices import Device, choose_rate, find_device, list_devices, load_portaudio, rescan
from drilltimer.audio.ring import Ring
from drilltimer.audio.stamps import Stamps
from drilltimer.audio.stderr import HushedStderr
from drilltimer.errors import DeviceError, Notice, notice
from drilltimer.model import Block, Cue, Health, Rep, Sound
from drilltimer.sound.mixer import MASTER_DB, Mixer
from drilltimer.units import frames_from_s, ms_from_s, s_from_frames

LEAST_LATENCY_S = 0.1  # measured: with less, sound servers lose blocks on a busy machine
RING_S = 10.0  # how long the reader may be held up before sound is lost
COALESCE_S = 0.01  # what waits for a block waits so long at most, where the driver's own blocks are no longer
WAIT_STEP_S = 0.05
STALL_S = 0.5  # without a callback
FIRST_BLOCK_S = 3.0  # some wireless speakers take seconds to wake (common practice, no source)
DRY_S = 0.5  # of input that the host API itself reports as missing
SILENCE_S = 3.0  # of exact digital zeros, which no microphone gives
CLOSE_LIMIT_S = 2.0

_open_cards = 0  # PortAudio's list of devices may be read anew only while no stream is open


class SoundCard:
    """A running full-duplex stream on real devices; implements `model.AudioStream`.

    Parameters
    ----------
    input_name, output_name : str | None
        See `devices.find_device`; None is the system's default.
    rate_hz : int | None
        None takes the device's own rate.
    output_channels : int | None
        1 or 2; None takes 2 where the device has them.
    latency_s : float
        Latency asked of the driver each way, at least 0.1 s. Latency is not an error here; a lost block is one.

    Raises
    ------
    DeviceError
        No such device, not at this rate or these channels, or it cannot be opened.
    """

    def __init__(
        self,
        input_name: str | None = None,
        output_name: str | None = None,
        *,
        rate_hz: int | None = None,
        input_channels: int = 1,
        output_channels: int | None = None,
        latency_s: float = LEAST_LATENCY_S,
    ) -> None:
        if not latency_s >= LEAST_LATENCY_S:
            raise DeviceError(f"latency of {latency_s} s asked for; at least {LEAST_LATENCY_S} s is needed to be safe")
        devices = fresh_devices()
        self.source: Device = find_device(input_name, "input", devices)
        self.sink: Device = find_device(output_name, "output", devices)
        self.input_channels = input_channels
        self.output_channels = output_channels or min(2, self.sink.output_channels)
        self.rate_hz = choose_rate(self.source, self.sink, (input_channels, self.output_channels), rate_hz)
        self._mixer = Mixer(self.rate_hz, self.output_channels)
        self._ring = Ring(frames_from_s(RING_S, self.rate_hz), input_channels, self.output_channels)
        self._stamps = Stamps(self.rate_hz)
        self._fresh, self._ended = threading.Event(), threading.Event()
        self._frame = self._dry_frames = self._blocks = self._xruns = self._dropped = 0
        self._worst_callback_s = 0.0
        self._fault: Exception | None = None
        self._silent_frames = self._longest_silence = 0
        self._closed = False
        self._stream: Any = None
        self._hush = HushedStderr()  # until close: PortAudio complains when a sound server dies
        try:
            self._open(latency_s)
        except BaseException:
            self._hush.end()
            raise

    def _open(self, latency_s: float) -> None:
        global _open_cards
        sounddevice = load_portaudio()
        try:
            self._stream = sounddevice.Stream(
                device=(self.source.index, self.sink.index),
                samplerate=self.rate_hz,
                channels=(self.input_channels, self.output_channels),
                dtype="float32",
                blocksize=0,
                latency=latency_s,
                callback=self._callback,
                finished_callback=self._finished,
            )
        except (sounddevice.PortAudioError, ValueError) as fault:
            raise DeviceError(
                f"cannot open '{self.source.full_name}' and '{self.sink.full_name}' at {self.rate_hz} Hz: {fault}",
                why="Another program may hold the device, or it was unplugged a moment ago.",
                fix="Close other programs that use sound, look at 'drilltimer devices', then try again.",
            ) from fault
        _open_cards += 1

    @property
    def volume_db(self) -> float:
        """Gain of everything played, 0 dB at most: never louder than the program was made to be."""
        return self._mixer.master_db - MASTER_DB

    @volume_db.setter
    def volume_db(self, gain_db: float) -> None:
        self._mixer.master_db = MASTER_DB + min(0.0, gain_db)

    def start(self) -> None:
        """Begin; the first block starts at frame 0."""
        sounddevice = load_portaudio()
        try:
            self._stream.start()
        except sounddevice.PortAudioError as fault:
            raise DeviceError(f"'{self.sink.full_name}' does not start: {fault}", fix="Try again.") from fault

    def play(self, start: int, sound: Sound, cue: Cue, rep: Rep | None = None) -> None:
        """Add `sound` to the output, its first sample at frame `start`; what is already past is not heard."""
        self._mixer.add(start, sound, cue.pan, cue.gain_db)

    def silence(self) -> None:
        """Drop what has not sounded yet, and cut what sounds."""
        self._mixer.clear()

    def _callback(self, heard: Any, out: Any, frames: int, stamps: Any, flags: Any) -> None:
        began_s = time.perf_counter()
        try:
            self._mixer.mix(self._frame, frames, out)
        except Exception as fault:  # ours, not the device's: told by read(), for an exception here would vanish
            self._fault = fault
            out.fill(0)
            raise load_portaudio().CallbackAbort from fault
        flagged = bool(flags) and (
            flags.input_overflow or flags.input_underflow or flags.output_underflow or flags.output_overflow
        )
        xrun = self._stamps.stepped(stamps.inputBufferAdcTime, frames) or flagged
        self._dry_frames = self._dry_frames + frames if flags.input_underflow else 0
        stored = self._ring.write(self._frame, heard, out, xrun)
        self._dropped += not stored
        self._xruns += xrun or not stored
        self._frame += frames
        self._blocks += 1
        self._worst_callback_s = max(self._worst_callback_s, time.perf_counter() - began_s)
        self._fresh.set()

    def _finished(self) -> None:
        self._ended.set()
        self._fresh.set()

    def read(self) -> Block:
        """Next block of at least 10 ms, in order, waiting for it.

        Raises
        ------
        DeviceError
            The stream ended, gave nothing for 0.5 s (3 s before the first block), or its input went missing.
        """
        enough = frames_from_s(COALESCE_S, self.rate_hz)
        waited_s = 0.0
        while not self._closed:
            self._fresh.clear()
            reason = self._lost(waited_s)
            block = self._ring.read(enough, rest=bool(reason))
            if block is not None:
                self._watch_silence(block)
                return block
            if reason:
                raise self._lost_error(reason)
            # Time is counted in waits that came to nothing, so that a laptop waking from sleep, or a process
            # that was stopped for a while, does not look like a stalled device.
            waited_s = 0.0 if self._fresh.wait(WAIT_STEP_S) else waited_s + WAIT_STEP_S
        raise DeviceError("the sound stream is closed")

    def _lost(self, waited_s: float) -> Notice | None:
        if self._fault is not None:
            return notice("as_kept", text="internal fault")
        if self._ended.is_set() or (waited_s and self._blocks and not self._stream.active):
            return notice("stream_ended")
        if self._dry_frames > DRY_S * self.rate_hz:
            return notice("dry", seconds=round(s_from_frames(self._dry_frames, self.rate_hz), 1))
        if self._blocks and waited_s >= STALL_S - WAIT_STEP_S / 2:
            return notice("stalled", seconds=round(waited_s, 1))
        if waited_s >= FIRST_BLOCK_S:
            return notice("never_began", seconds=round(waited_s))
        return None

    def _lost_error(self, reason: Notice) -> Exception:
        if self._fault is not None:
            return self._fault
        return DeviceError(
            notice("lost", input=self.source.full_name, output=self.sink.full_name, why=reason),
            fix=notice("plug_in"),
        )

    def _watch_silence(self, block: Block) -> None:
        self._silent_frames = 0 if block.samples.any() else self._silent_frames + len(block.samples)
        self._longest_silence = max(self._longest_silence, self._silent_frames)

    def health(self) -> Health:
        """Counts so far; `xruns` are blocks with lost sound, `notes` tell what numbers cannot."""
        notes = []
        silence_s = s_from_frames(self._longest_silence, self.rate_hz)
        if silence_s >= SILENCE_S:
            notes.append(notice("zeros", seconds=round(silence_s)))
        if self._dropped:
            notes.append(notice("dropped", blocks=self._dropped))
        if not self._stamps.trusted:
            notes.append(notice("scatter"))
        return Health(
            blocks=self._blocks,
            xruns=self._xruns,
            worst_callback_ms=ms_from_s(self._worst_callback_s) if self._blocks else None,
            notes=tuple(notes),
        )

    def close(self) -> None:
        """End the stream within two seconds whatever the device does; may be called twice."""
        global _open_cards
        if self._closed:
            return
        self._closed = True
        ending = threading.Thread(target=self._abort, daemon=True, name="closing the sound card")
        ending.start()
        ending.join(CLOSE_LIMIT_S)
        if not ending.is_alive():  # a stuck stream stays open for PortAudio, which must then not be restarted
            _open_cards -= 1
        self._hush.end()

    def _abort(self) -> None:
        try:
            self._stream.abort(ignore_errors=True)
        finally:
            self._stream.close(ignore_errors=True)


def fresh_devices() -> list[Device]:
    """Devices that are there now, as far as PortAudio can be asked: not while a stream is open."""
    if not _open_cards:
        rescan()
    return list_devices()
