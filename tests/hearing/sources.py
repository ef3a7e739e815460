"""Freely licensed recorded sounds for landings, other impacts, voices and backgrounds, split by where they come from.

    python -m tests.hearing.sources --out FOLDER

Downloads the Debian packages of `source_table` into FOLDER/cache, picks sounds from them, and writes each as mono
FLAC at 48 kHz, `FOLDER/<kind>/<package>__<stem>.flac`, with `FOLDER/index.json` about all of them. What is downloaded
already is not downloaded again. Needs apt-get and dpkg, lists of packages no older than the archive (`apt-get update`),
about 8 GB of disk (3 GB of it downloads), and ten minutes.

A package is in one split, whatever its kinds: sounds of one package share microphones, rooms and editing, and a
detector that met one has met the others. Packages that the development recordings are made from are for the report
alone, without the very clips in those recordings. A sound that is in several packages is kept in the first of the
table only, and those for the report come first.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import os
import re
import shutil
import struct
import subprocess
import zipfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise
from pathlib import Path

import click
import numpy as np
from numpy.typing import NDArray

from drilltimer.hear.picture import filtered
from tests.hearing.shoes import RATE_HZ, RUMBLE_HZ, Wave, cut_step
from tests.hearing.source_table import LEFT_OUT, NOT_ONE_IMPACT, SOURCES, Source

Spectrum = NDArray[np.complexfloating]
KINDS = ("foot", "impact", "voice", "bed")
SOUND_STARTS = (b"RIFF", b"OggS", b"fLaC", b"FORM", b"ID3", b"wvpk", b"\xff\xfb", b"\xff\xf3")
LOWEST_HZ = {"foot": 11_000, "impact": 11_000, "voice": 8_000, "bed": 8_000}
MOST = {"foot": 60, "impact": 40, "voice": 16, "bed": 12}  # of one package: none shall outweigh the others
MOST_MUSIC = 4
LONGEST_IMPACT_S, LONGEST_VOICE_S, SHORTEST_VOICE_S = 1.0, 2.5, 0.3
SHORTEST_BED_S, LONGEST_BED_S, INTO_MUSIC_S = 8.0, 30.0, 8.0
LOOP_FROM_S, LOOPED_S, LOOP_FADE_S = 2.0, 12.0, 0.05  # games ship short noises to be repeated without end
SAME_S, SAME_CORRELATION = 1.0, 0.93  # siblings of one footstep reach 0.91
APART_S = 0.12  # feet of one recording that come closer than that are not taken apart
LICENCES = (
    ("CC-BY-SA-4.0", r"CC-BY-SA-4|Attribution-ShareAlike 4"),
    ("CC-BY-SA-3.0", r"CC-BY-SA-3|Attribution-Share ?Alike 3"),
    ("CC-BY-SA-2.0", r"CC-BY-SA-2|Attribution-Share ?Alike 2"),
    ("CC-BY-4.0", r"CC-BY-4|Attribution 4"),
    ("CC-BY-3.0", r"CC-BY-3|Attribution 3"),
    ("GPL-3+", r"GPL-?3\+|GPL-3\.0\+|version 3 of the License, or"),
    ("GPL-2+", r"GPL-?2(\.0)?\+|GPL-2\.0-or-later|version 2 of the License, or|version 2, or"),
    ("LGPL-2+", r"LGPL-2"),
    ("GPL-3", r"GPL-?3"),
    ("GPL-2", r"GPL-?2|General Public License"),
    ("MIT", r"\bMIT\b|Expat"),
    ("BSD", r"\bBSD\b"),
    ("Artistic", r"Artistic"),
    ("CC0", r"CC0|Creative Commons Zero|public[- ]domain"),
)


@dataclass(frozen=True, slots=True)
class Sound:
    """One file of a package: where it is in it (archives inside end on `!`), and what it holds."""

    inside: str
    data: bytes

    @property
    def stem(self) -> str:
        """A file name for it, with its folder where that tells more."""
        parts = re.split(r"[/!]+", self.inside)
        name = re.sub(r"\.(wav|ogg|oga|flac|mp3|aiff?|opus|wv)$", "", parts[-1], flags=re.IGNORECASE)
        return re.sub(r"[^A-Za-z0-9]+", "-", f"{parts[-2]}-{name}" if len(parts) > 1 else name).strip("-")


@dataclass(slots=True)
class Clip:
    """One sound as it is written."""

    kind: str
    family: str
    stem: str
    wave: Wave
    inside: str = field(default="")


def fetch(package: str, cache: Path) -> Path:
    """Its files, unpacked; the folder."""
    unpacked = cache / "unpacked" / package
    if not unpacked.exists():
        debs = cache / "debs"
        debs.mkdir(parents=True, exist_ok=True)
        if not list(debs.glob(f"{package}_*.deb")):
            subprocess.run(["apt-get", "download", "-q", package], cwd=debs, check=True, capture_output=True)
        half = unpacked.with_name(f"{package}.half")
        shutil.rmtree(half, ignore_errors=True)
        half.mkdir(parents=True)
        subprocess.run(["dpkg", "-x", str(next(debs.glob(f"{package}_*.deb"))), str(half)], check=True)
        half.rename(unpacked)
    return unpacked


def sounds(folder: Path, wanted: re.Pattern[str]) -> Iterator[Sound]:
    """All files of a package that begin as sounds do and are wanted, those in archives too, sorted."""
    for path in sorted(folder.rglob("*")):
        if path.is_symlink() or not path.is_file():
            continue
        inside = str(path.relative_to(folder))
        with path.open("rb") as file:
            begins = file.read(4)
        if begins == b"PK\x03\x04":
            with zipfile.ZipFile(path) as archive:
                for name in sorted(archive.namelist()):
                    if wanted.search(f"{inside}!{name}") and archive.open(name).read(4).startswith(SOUND_STARTS):
                        yield Sound(f"{inside}!{name}", archive.read(name))
        elif begins[:2] == b"\x1e\x8c":
            grouped = gzip.decompress(b"\x1f\x8b" + path.read_bytes()[2:])
            yield from (sound for sound in group(grouped, f"{inside}!") if wanted.search(sound.inside))
        elif begins.startswith(SOUND_STARTS) and wanted.search(inside):
            yield Sound(inside, path.read_bytes())


def group(data: bytes, inside: str) -> Iterator[Sound]:
    """Files of an OpenClonk group: a scrambled head, then one entry of 316 bytes for each, then what they hold."""
    head = bytearray(byte ^ 237 for byte in data[:204])
    for k in range(0, len(head) - 2, 3):
        head[k], head[k + 2] = head[k + 2], head[k]
    entries = struct.unpack_from("<i", head, 36)[0]
    holds = 204 + 316 * entries
    for k in range(entries):
        entry = data[204 + 316 * k : 204 + 316 * (k + 1)]
        name = entry[:260].split(b"\0")[0].decode("latin-1")
        _, is_group, size, _, offset = struct.unpack_from("<5i", entry, 260)
        held = data[holds + offset : holds + offset + size]
        if is_group:
            yield from group(held, f"{inside}{name}/")
        elif held.startswith(SOUND_STARTS):
            yield Sound(inside + name, held)


def unpacked_wavpack(data: bytes, cache: Path) -> bytes:
    """The WAV in a WavPack file, which libsndfile does not read; the decoder comes as a package too."""
    decoder = fetch("wavpack", cache) / "usr/bin/wvunpack"
    folders = [str(path.parent) for path in fetch("libwavpack1", cache).rglob("libwavpack.so*")]
    environment = dict(os.environ, LD_LIBRARY_PATH=":".join(folders))
    done = subprocess.run(
        [decoder, "-q", "-", "-o", "-"], input=data, env=environment, capture_output=True, check=False
    )
    return done.stdout


def read(sound: Sound, tools: Path, from_s: float, length_s: float, lowest_hz: int) -> Wave | None:
    """Mono at `RATE_HZ`; None where it can't be read, holds nothing or was sampled too slowly."""
    import soundfile
    from scipy.signal import resample_poly

    if sound.data.startswith(b"wvpk"):
        sound = Sound(sound.inside, unpacked_wavpack(sound.data, tools))
    try:
        with soundfile.SoundFile(io.BytesIO(sound.data)) as file:
            rate_hz = file.samplerate
            if rate_hz < lowest_hz:
                return None
            if file.frames > (from_s + length_s) * rate_hz:
                file.seek(round(from_s * rate_hz))
            samples = file.read(round(length_s * rate_hz), always_2d=True)
    except (soundfile.LibsndfileError, RuntimeError):
        return None
    wave = samples.mean(axis=1) if len(samples) else np.zeros(1)
    common = int(np.gcd(RATE_HZ, rate_hz))
    wave = resample_poly(wave - wave.mean(), RATE_HZ // common, rate_hz // common)
    return np.asarray(wave) if np.abs(wave).max(initial=0.0) > 1e-3 else None


def faded(wave: Wave, fade_out_s: float) -> Wave:
    """Its end faded out, peak 1."""
    wave, fade = wave.copy(), min(round(fade_out_s * RATE_HZ), len(wave) // 4)
    wave[len(wave) - fade :] *= np.linspace(1.0, 0.0, fade)
    return np.asarray(wave / np.abs(wave).max())


def loudness(wave: Wave, window_s: float) -> Wave:
    """RMS of one window after the other."""
    window = max(1, round(window_s * RATE_HZ))
    return np.sqrt(np.square(wave[: len(wave) // window * window]).reshape(-1, window).mean(axis=1))


def steps(wave: Wave) -> list[Wave]:
    """Single impacts of a recording of one or several, each from its first sample on; those that begin clearly."""
    wave = filtered(np.concatenate([np.zeros(480), wave]), "highpass", (RUMBLE_HZ,), RATE_HZ)
    hop_s = 0.005
    loud = loudness(wave, hop_s)
    gap, found = round(APART_S / hop_s), []
    for k in range(2, len(loud)):
        before = loud[max(0, k - 4) : k].min()
        if loud[k] > 4.0 * before and loud[k] > 0.2 * loud.max() and (not found or k - found[-1] >= gap):
            found.append(k)
    starts = [0, *(round(max(k - 3, 0) * hop_s * RATE_HZ) for k in found[1:]), len(wave)]
    pieces = [wave[start:end] for start, end in pairwise(starts)]
    quiet = [piece for piece in pieces if np.abs(piece[: RATE_HZ // 1000]).max() < 0.05 * np.abs(piece).max()]
    return [clip for piece in quiet if (clip := cut_step(piece)) is not None and dies_away(clip)]


def dies_away(clip: Wave) -> bool:
    """Whether it is loudest early and soft late, as an impact is: at most 60 ms to its loudest, then 12 dB down.

    One that was cut soon, before a second impact, is 4 dB down.
    """
    loud = loudness(clip, 0.005)
    if len(loud) < 5:
        return False
    top, late = int(np.argmax(loud)), float(loud[-3:].mean()) if len(loud) >= 12 else float(loud[-2:].mean())
    return top <= 12 and late < (0.25 if len(loud) >= 12 else 0.6) * float(loud[top])


def impact(wave: Wave) -> Wave | None:
    """From a millisecond before its onset, at most a second."""
    size = np.abs(wave) / np.abs(wave).max()
    begins = max(0, int(np.argmax(size >= 0.05)) - RATE_HZ // 1000)
    clip = wave[begins : begins + round(LONGEST_IMPACT_S * RATE_HZ)]
    peak_s = int(np.argmax(np.abs(clip))) / RATE_HZ
    last = int(np.flatnonzero(np.abs(clip) >= 0.003 * np.abs(clip).max())[-1])
    return faded(clip[: last + 1], 0.01) if peak_s < 0.15 and last > 0.01 * RATE_HZ else None


def voice(wave: Wave) -> Wave | None:
    """What is not silent of it; a longer one ends where it is softest after half of the time allowed."""
    loud = loudness(wave, 0.02)
    heard = np.flatnonzero(loud > 0.02 * loud.max(initial=0.0))
    if not len(heard):
        return None
    frame = round(0.02 * RATE_HZ)
    clip = wave[heard[0] * frame : (heard[-1] + 1) * frame]
    if len(clip) > LONGEST_VOICE_S * RATE_HZ:
        earliest, latest = round(0.5 * LONGEST_VOICE_S / 0.02), round(LONGEST_VOICE_S / 0.02)
        clip = clip[: (earliest + int(np.argmin(loudness(clip, 0.02)[earliest:latest]))) * frame]
    return faded(clip, 0.02) if len(clip) >= SHORTEST_VOICE_S * RATE_HZ else None


def bed(wave: Wave, looped: bool) -> Wave | None:
    """A background without long silences; short ones that are made to be repeated are."""
    if len(wave) < SHORTEST_BED_S * RATE_HZ:
        if not looped or len(wave) < LOOP_FROM_S * RATE_HZ:
            return None
        fade = round(LOOP_FADE_S * RATE_HZ)
        once = wave[:-fade].copy()
        once[:fade] = once[:fade] * np.linspace(0.0, 1.0, fade) + wave[-fade:] * np.linspace(1.0, 0.0, fade)
        wave = np.tile(once, int(np.ceil(LOOPED_S * RATE_HZ / len(once))))[: round(LOOPED_S * RATE_HZ)]
    loud = loudness(wave, 0.5)
    return faded(wave, 0.05) if np.mean(loud < 0.01 * np.median(loud)) < 0.1 else None


def family_of(stem: str) -> str:
    """The name without its number."""
    return re.sub(r"[\d_.\-]+$", "", stem) or stem


def clips_of(kind: str, wanted: dict[str, re.Pattern[str]], sound: Sound, tools: Path) -> list[Clip]:
    """What one file gives of one kind; `wanted` has beds' patterns by what they are a bed of, else one pattern."""
    family = next(name for name, pattern in wanted.items() if pattern.search(sound.inside))
    length_s = LONGEST_BED_S if kind == "bed" else 12.0
    wave = read(sound, tools, INTO_MUSIC_S if family == "music" else 0.0, length_s, LOWEST_HZ[kind])
    if wave is None:
        return []
    if kind == "foot":
        cut = steps(wave)
        names = [sound.stem] if len(cut) == 1 else [f"{sound.stem}-{k + 1}" for k in range(len(cut))]
        return [Clip(kind, family_of(sound.stem), *both) for both in zip(names, cut, strict=True)]
    one = impact(wave) if kind == "impact" else voice(wave) if kind == "voice" else bed(wave, family != "music")
    return [] if one is None else [Clip(kind, family or family_of(sound.stem), sound.stem, one)]


def spread(found: list[Sound], most: int) -> list[Sound]:
    """At most so many, evenly from all."""
    if len(found) <= most:
        return found
    return [found[int(k)] for k in np.linspace(0, len(found) - 1, most).round()]


def gather(source: Source, cache: Path) -> list[Clip]:
    """All clips of one package."""
    folder, clips = fetch(source.package, cache), []
    for kind in KINDS:
        asked = getattr(source, kind)
        if not asked:
            continue
        by_name = asked if isinstance(asked, dict) else {"": asked}
        wanted = {name: re.compile(pattern, re.IGNORECASE) for name, pattern in by_name.items()}
        for name, pattern in wanted.items():
            left_out = LEFT_OUT.get(source.package)
            found = [
                sound for sound in sounds(folder, pattern) if left_out is None or not re.search(left_out, sound.inside)
            ]
            kept = 0
            most = MOST_MUSIC if name == "music" else MOST[kind]
            for sound in spread(found, 2 * most):
                made = clips_of(kind, {name: pattern}, sound, cache) if kept < most else []
                made = [clip for clip in made if f"{source.package}__{clip.stem}" not in NOT_ONE_IMPACT]
                kept += bool(made)
                clips += made
    return clips


def licence(package: str, cache: Path) -> str:
    """What the package's copyright file says about all its files; of one that does not, the first of the list."""
    path = cache / "unpacked" / package / "usr/share/doc" / package / "copyright"
    text = path.read_text(errors="replace") if path.exists() else ""
    general = re.search(r"^Files:\s*\*.*?(?=^Files:|\Z)", text, re.MULTILINE | re.DOTALL)
    named = re.search(r"^License:\s*(\S.*)$", general.group(), re.MULTILINE) if general else None
    told = named.group(1) if named else text
    return next((name for name, pattern in LICENCES if re.search(pattern, told, re.IGNORECASE)), "see copyright")


class Heard:
    """What was taken, to tell a sound that another package has too, encoded anew, cut otherwise or louder."""

    def __init__(self) -> None:
        self._spectra: dict[str, list[tuple[str, Spectrum]]] = {}

    def again(self, package: str, clip: Clip) -> bool:
        """Whether another package had this; else it is kept in mind.

        By the correlation of their first seconds, wherever in them the sound lies, at a quarter of the rate.
        """
        begins = filtered(clip.wave[: round(SAME_S * RATE_HZ)], "lowpass", (5000.0,), RATE_HZ)[::4]
        spectrum = np.fft.rfft(begins / max(float(np.linalg.norm(begins)), 1e-9), 2 * round(SAME_S * RATE_HZ / 4))
        others = self._spectra.setdefault(clip.kind, [])
        for owner, other in others:
            if owner != package and np.abs(np.fft.irfft(spectrum * np.conj(other))).max() > SAME_CORRELATION:
                return True
        others.append((package, spectrum.astype(np.complex64)))
        return False


def fingerprint(wave: Wave) -> str:
    """The same for the same samples."""
    return hashlib.sha256(np.round(wave * 2047).astype("<i2").tobytes()).hexdigest()


@click.command()
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True)
@click.option("--workers", default=1, show_default=True)
def main(out: Path, workers: int) -> None:
    """Write the sounds of the table and their index."""
    import soundfile

    cache, index, seen, names, heard = out / "cache", [], set(), set(), Heard()
    for kind in KINDS:
        shutil.rmtree(out / kind, ignore_errors=True)
        (out / kind).mkdir(parents=True)
    with ProcessPoolExecutor(workers) as pool:
        for source, clips in zip(SOURCES, pool.map(partial(gather, cache=cache), SOURCES), strict=True):
            for clip in clips:
                print_of, name = fingerprint(clip.wave), f"{clip.kind}/{source.package}__{clip.stem}.flac"
                if print_of in seen or name in names:
                    continue
                if heard.again(source.package, clip):
                    click.echo(f"       {name}: another package has it")
                    continue
                seen.add(print_of)
                names.add(name)
                soundfile.write(out / name, clip.wave, RATE_HZ, subtype="PCM_16")
                about = {"file": name, "kind": clip.kind, "package": source.package, "family": clip.family}
                about |= {"stem": clip.stem, "licence": licence(source.package, cache), "split": source.split}
                index.append(about)
            counts = {kind: sum(clip.kind == kind for clip in clips) for kind in KINDS}
            click.echo(f"{source.split:6s} {source.package:32s} {counts}")
    half = out / "index.half"
    half.write_text(json.dumps(index, indent=1) + "\n")
    half.replace(out / "index.json")


if __name__ == "__main__":
    main()
