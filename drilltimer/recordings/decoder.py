"""Decodes a file's first sound track with FFmpeg's libraries. Runs as a program of its own, which may crash.

    python decoder.py FORMAT < FILE > SAMPLES

Samples are told as rate and channels, two 32-bit numbers, and then 32-bit frames, all little-endian; what FFmpeg finds
wrong goes to stderr. The file is handed over open, read as FORMAT alone and never guessed at, and only by the codecs
below: nothing that a file says makes this program open another one, and where the system can, it holds that, too.

Unix holds it: no file but the standard three, 2 GB, an hour of computing. Windows has the list of codecs alone. No more
than 12 hours come out.
"""

from __future__ import annotations

import signal
import struct
import sys
from contextlib import suppress
from io import BytesIO
from typing import TYPE_CHECKING, BinaryIO, NoReturn

if TYPE_CHECKING:
    from av.audio.frame import AudioFrame
    from av.audio.layout import AudioLayout
    from av.audio.stream import AudioStream
    from av.container import InputContainer

# What cameras, telephones and recorders write. Everything else, pictures too, is opened by nobody.
CODECS = frozenset(
    {
        *("aac", "aac_latm", "alac", "flac", "mp1", "mp1float", "mp2", "mp2float", "mp3", "mp3float", "opus", "vorbis"),
        *("libopus", "libvorbis", "ac3", "eac3", "dca", "amrnb", "amrwb", "libopencore_amrnb", "libopencore_amrwb"),
        *("wmav1", "wmav2", "wmapro", "wmalossless", "wmavoice", "adpcm_ms", "adpcm_ima_qt", "adpcm_ima_wav", "gsm"),
        *("adpcm_swf", "nellymoser", "speex", "pcm_alaw", "pcm_mulaw", "pcm_u8", "pcm_s8", "pcm_dvd", "pcm_bluray"),
        *(f"pcm_{kind}{end}" for kind in ("s16", "s24", "s32", "f32", "f64") for end in ("le", "be")),
    }
)
START = struct.Struct("<II")  # Hz, channels
SAMPLE_BYTES = 4
# Packets are stamped unevenly, by telephones above all, while their samples follow without a gap; FFmpeg's own
# resampler believes a stamp from 0.1 s on (`min_hard_comp`). Longer than a minute, a recording was begun anew.
LEAST_GAP_S, MOST_GAP_S = 0.1, 60.0
SILENCE_FRAMES = 65_536
MOST_FAULTS = 1000  # packets in a row that cannot be decoded
MOST_MEMORY_BYTES = 2 << 30
MOST_CPU_S = 3600  # where whoever started it was killed and cannot end it
MOST_SAID_BYTES = 10 << 20
STANDARD_FILES = 3  # input, output, errors


def main(demuxer: str, source: BinaryIO, sink: BinaryIO) -> None:
    """Decode `source` into `sink`; what is wrong is said on stderr."""
    import av
    import av.logging

    _load_all()
    # Ctrl-C reaches it, too. Whoever started it ends it; on Windows that one waits, and only this end wakes him.
    signal.signal(signal.SIGINT, signal.SIG_DFL if sys.platform == "win32" else signal.SIG_IGN)
    av.logging.restore_default_callback()
    av.logging.set_libav_level(av.logging.ERROR)
    _confine()
    # "none" is the name of no protocol.
    options = {"format_whitelist": demuxer, "codec_whitelist": ",".join(sorted(CODECS)), "protocol_whitelist": "none"}
    with av.open(source, "r", format=demuxer, container_options=options, io_open=_refuse) as container:
        _decode(container, _sound_of(container), sink)


def _load_all() -> None:
    """Decode two samples: PyAV imports a part of itself at first use, and after `_confine` nobody can."""
    import av
    from av.audio.resampler import AudioResampler

    with av.open(BytesIO(bytes(4)), "r", format="s16le") as container:
        for frame in container.decode(audio=0):
            AudioResampler(format="s32").resample(frame)


def _refuse(url: str, flags: int, options: object) -> NoReturn:
    raise PermissionError(f"it asks for another file: {url}")


def _confine() -> None:
    """Have the system refuse what no recording needs: more files, memory, time."""
    with suppress(ImportError):  # Windows has none of this
        import resource

        for name, most in (
            ("RLIMIT_NOFILE", STANDARD_FILES),
            ("RLIMIT_AS", MOST_MEMORY_BYTES),
            ("RLIMIT_CPU", MOST_CPU_S),
            ("RLIMIT_FSIZE", MOST_SAID_BYTES),
            ("RLIMIT_CORE", 0),
        ):
            with suppress(OSError, ValueError):  # macOS refuses some
                resource.setrlimit(getattr(resource, name), (most, most))


def _sound_of(container: InputContainer) -> AudioStream:
    strange = []
    for stream in container.streams.audio:
        codec = stream.codec_context
        if codec is not None and codec.name in CODECS:
            return stream
        strange.append(codec.name if codec is not None else "something unknown")
    if strange:
        sys.exit(f"its sound is coded as {', '.join(strange)}, which is not read")
    sys.exit("there are pictures in it, but no sound" if len(container.streams) else "there is nothing in it")


def _decode(container: InputContainer, stream: AudioStream, sink: BinaryIO) -> None:
    import av

    samples = _Samples(sink)
    faults = 0
    try:
        for packet in container.demux(stream):
            try:
                frames = packet.decode()
            except av.error.FFmpegError as fault:
                faults += 1
                print(f"Invalid data found in a packet: {fault.strerror}", file=sys.stderr)
                if faults == MOST_FAULTS:
                    return
                continue
            faults = 0
            for frame in frames:
                samples.write(frame)
    except av.error.FFmpegError as fault:
        print(f"demuxing: {fault.strerror}", file=sys.stderr)


class _Samples:
    """Frames as they come out of the decoder, made one stream of one shape, at the times that are stamped on them."""

    def __init__(self, sink: BinaryIO) -> None:
        self._sink = sink
        self._shape: tuple[int, AudioLayout] | None = None
        self._comes: tuple[object, ...] = ()
        self._expected_s: float | None = None

    def write(self, frame: AudioFrame) -> None:
        from av.audio.resampler import AudioResampler

        rate_hz, channels = frame.sample_rate, len(frame.layout.channels)
        if not rate_hz or not channels:
            sys.exit(f"its sound has {rate_hz} Hz and {channels} channels")
        if self._shape is None:
            self._shape = rate_hz, frame.layout
            self._channels = channels
            self._sink.write(START.pack(rate_hz, channels))
        comes = (frame.format.name, frame.layout.name, rate_hz)
        if comes != self._comes:  # AAC may change its mind after the first frames
            self._comes = comes
            self._shaped = AudioResampler(format="s32", layout=self._shape[1], rate=self._shape[0])
        self._fill(frame)
        for shaped in self._shaped.resample(frame):
            self._sink.write(memoryview(shaped.planes[0])[: shaped.samples * self._channels * SAMPLE_BYTES])

    def _fill(self, frame: AudioFrame) -> None:
        """Silence for as long as sound is missing before a frame, so that what follows keeps its time."""
        if frame.time is None:
            return
        assert self._shape is not None
        if self._expected_s is not None and LEAST_GAP_S <= (gap_s := frame.time - self._expected_s) <= MOST_GAP_S:
            missing = round(gap_s * self._shape[0])
            while missing > 0:
                self._sink.write(bytes(min(missing, SILENCE_FRAMES) * self._channels * SAMPLE_BYTES))
                missing -= SILENCE_FRAMES
        self._expected_s = frame.time + frame.samples / frame.sample_rate


if __name__ == "__main__":
    try:
        main(sys.argv[1], sys.stdin.buffer, sys.stdout.buffer)
    except Exception as fault:  # FFmpeg's errors have many bases
        sys.exit(str(getattr(fault, "strerror", None) or fault) or type(fault).__name__)
