"""Sound and films as telephones, cameras and recorders write them, made with the encoders that PyAV brings along."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np

# What each kind of file holds, by its ending.
CODECS = {
    "m4a": "aac", "mp4": "aac", "mov": "aac", "3gp": "libopencore_amrnb", "amr": "libopencore_amrnb", "aac": "aac",
    "webm": "libopus", "mkv": "aac", "avi": "libmp3lame", "wma": "wmav2", "ts": "aac", "mpg": "mp2", "flv": "aac",
    "caf": "alac", "mp3": "libmp3lame",
}  # fmt: skip
FORMATS = {"m4a": "ipod", "mkv": "matroska", "wma": "asf", "ts": "mpegts", "aac": "adts", "mpg": "vob"}
WIDTH, HEIGHT, PICTURES_HZ = 64, 48, 5
LAYOUTS = {1: "mono", 2: "stereo", 3: "2.1", 4: "quad", 5: "5.0", 6: "5.1", 7: "6.1", 8: "7.1"}


def write_film(
    path: Path,
    samples: np.ndarray,
    rate_hz: int,
    *,
    codec: str | None = None,
    tracks: int = 1,
    picture: bool = False,
    bit_rate: int | None = None,
    begins_s: float = 0.0,
    gap_s: tuple[float, float] | None = None,
    options: dict[str, str] | None = None,
) -> Path:
    """Write a file of the kind that its ending names.

    Parameters
    ----------
    path : Path
    samples : array, shape (n,) or (n, channels)
        Full scale is 1. With `tracks` of 0 they only tell how long the pictures last.
    rate_hz : int
    codec : str, optional
        Its encoder's name; otherwise the usual one.
    tracks : int
        Of sound; the second and later ones are silent.
    picture : bool
        Whether it is a film.
    bit_rate : int, optional
    begins_s : float
        The sound's first stamp of time.
    gap_s : (at, length), optional
        Sound whose stamp is later than this one is stamped so much later.
    options : dict, optional
        Of the format's writer.
    """
    samples = samples.reshape(len(samples), -1)
    ending = path.suffix[1:]
    with av.open(str(path), "w", format=FORMATS.get(ending, ending), options=options or {}) as film:
        seen = film.add_stream("mpeg4", rate=PICTURES_HZ) if picture else None
        layout = LAYOUTS[samples.shape[1]]
        heard = [film.add_stream(codec or CODECS[ending], rate=rate_hz, layout=layout) for _ in range(tracks)]
        if seen is not None:
            seen.width, seen.height, seen.pix_fmt = WIDTH, HEIGHT, "yuv420p"
            picture_of = np.random.default_rng(1).integers(0, 255, (HEIGHT, WIDTH, 3), np.uint8)
            for number in range(len(samples) * PICTURES_HZ // rate_hz):
                frame = av.VideoFrame.from_ndarray(picture_of, format="rgb24")
                frame.pts = number
                film.mux(seen.encode(frame))
            film.mux(seen.encode(None))
        for number, stream in enumerate(heard):
            if bit_rate is not None:
                stream.bit_rate = bit_rate
            _mux(film, stream, samples if not number else np.zeros_like(samples), layout, begins_s, gap_s)
    return path


def _mux(film, stream, samples, layout, begins_s, gap_s):  # type: ignore[no-untyped-def]
    interleaved = np.ascontiguousarray(samples, np.float32).reshape(1, -1)
    frame = av.AudioFrame.from_ndarray(interleaved, format="flt", layout=layout)
    frame.sample_rate = stream.rate
    frame.pts = 0
    for packet in [*stream.encode(frame), *stream.encode(None)]:
        late_s = begins_s
        if gap_s is not None and packet.pts * packet.time_base > gap_s[0]:
            late_s += gap_s[1]
        shift = round(late_s / packet.time_base)
        packet.pts, packet.dts = packet.pts + shift, packet.dts + shift
        film.mux(packet)
