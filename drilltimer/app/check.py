"""The sound check: a course and six hops on a stream, what they tell, and what is kept of it for later sessions."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from drilltimer.app.interrupt import end_if_asked
from drilltimer.app.plan import Plan, load_bank
from drilltimer.audio.files import load_word
from drilltimer.checkup.course import Course, lay_out
from drilltimer.checkup.findings import HEARD_SHARE, Finding, Hops, Result, find_faults, result_of
from drilltimer.checkup.measure import LANDING_BAND_HZ, Measured, measure
from drilltimer.hear.listen import Listener
from drilltimer.hear.picture import filtered
from drilltimer.model import AudioStream, Block, Cue, Drill, LandingSound, Placement, Rep, Samples, Window
from drilltimer.score.match import correction_ms
from drilltimer.session import Ended, Judged, Play, Session
from drilltimer.sound.bank import resample
from drilltimer.sound.render import render
from drilltimer.units import db_from_ratio, frames_from_s

HOPS = 6
HOP_EVERY_S = 2.8
HOP_SWING_S = 0.6
HOP_WORD = "hop-in-time-with-each-contact"
HOP_NOTICE_S, HOP_LEAD_S = 0.5, 3.0
HOP_WINDOW = Window(40.0, 160.0, 280.0)  # wide: this is about hearing, not about timing
LANDING_S = 0.12  # a landing peaks within
QUIET_DB = -20.0  # the first sound of all
RATE_TRUST_S = 3.0  # below, a clock outside tells nothing of a rate

Landings = tuple[tuple[LandingSound, ...], ...]  # channel by channel


@dataclass(frozen=True, slots=True)
class Checked:
    """Outcome of a sound check.

    Parameters
    ----------
    result : {"good", "usable", "unusable"}
        "unusable" where a finding stops a session, "usable" where there is any.
    hops : Hops | None
        None where no hops were asked for.
    landings : tuple of tuples of LandingSound
        For each channel, the hops as they were heard; empty where none were asked for or too few were heard.
    """

    result: Result
    findings: tuple[Finding, ...]
    measured: Measured
    hops: Hops | None
    placement: Placement
    correction_ms: float
    landings: Landings = ()

    def document(self) -> dict[str, Any]:
        """The check for `--json`; what is unknown is None."""
        measured = {
            key: value if not isinstance(value, float) or np.isfinite(value) else None
            for key, value in asdict(self.measured).items()
        }
        return {
            "schema": 1,
            "result": self.result,
            "findings": [
                {"key": each.key, "stops": each.stops, **{name: round(value, 3) for name, value in each.values}}
                for each in self.findings
            ],
            "measured": measured,
            "hops": asdict(self.hops) if self.hops else None,
            "placement": self.placement.known(),
            "correction_ms": round(self.correction_ms, 3),
        }


def run_check(
    stream: AudioStream,
    placement: Placement,
    *,
    short: bool = False,
    real_time: bool = True,
    language: str = "en",
    on_step: Callable[[str], None] = lambda step: None,
) -> Checked:
    """Run a sound check on a stream.

    Parameters
    ----------
    stream : AudioStream
        Not yet started; closed when this returns.
    short : bool
        Three contacts, no hops.
    real_time : bool
        False for a simulated room, whose seconds are not the clock's.
    language : str
        Of the words that ask for the hops: the player may stand metres from the screen by then.
    on_step : callable
        Told "silence", "cues" and "hops" as they begin.

    Raises
    ------
    DeviceError
        The device was lost.
    """
    course = lay_out(stream.rate_hz, short=short)
    hops: Hops | None = None
    landings: Landings = ()
    try:
        stream.start()
        measured = _course(stream, course, real_time, on_step)
        if not short and not any(each.stops for each in find_faults(measured, stream.rate_hz)):
            on_step("hops")
            begin = _say_hop(stream, course.end, language)
            hops, landings = _hops(stream, begin, measured, placement)
    finally:
        stream.close()
    findings = find_faults(measured, stream.rate_hz, hops)
    if hops is None or hops.heard < HEARD_SHARE * hops.asked:
        landings = ()
    return Checked(result_of(findings), tuple(findings), measured, hops, placement, correction_ms(placement), landings)


def play_twice(stream: AudioStream, volume_db: float) -> None:
    """A contact far softer than a session's, then one as loud as that; closes the stream."""
    rate_hz = stream.rate_hz
    contact = render("smack", rate_hz)
    try:
        stream.start()
        for at_s, gain_db in ((0.4, volume_db + QUIET_DB), (1.4, volume_db)):
            stream.play(frames_from_s(at_s, rate_hz), contact, Cue("precue", "smack", 0.0, gain_db=gain_db))
        while True:
            end_if_asked()
            block = stream.read()
            if block.start + len(block.samples) >= frames_from_s(2.2, rate_hz):
                return
    finally:
        stream.close()


def _course(stream: AudioStream, course: Course, real_time: bool, on_step: Callable[[str], None]) -> Measured:
    for sounding in (*course.contacts, *((course.hiss,) if course.hiss else ())):
        stream.play(sounding.start, sounding.sound, Cue("precue", sounding.sound.name, 0.0, gain_db=sounding.gain_db))
    on_step("silence")
    heard: list[Samples] = []
    played: list[Samples] = []
    marks: list[tuple[float, int]] = []
    end, lost, told = 0, 0, False
    while end < course.end:
        end_if_asked()
        block = stream.read()
        end = block.start + len(block.samples)
        marks.append((time.monotonic(), end))
        lost += block.xrun
        heard.append(block.samples)
        played.append(block.played)
        if end > course.silence[1] and not told:
            told = True
            on_step("cues")
    true_rate_hz = _true_rate_hz(marks) if real_time else None
    return measure(course, np.concatenate(heard), np.concatenate(played), lost_blocks=lost, true_rate_hz=true_rate_hz)


def _true_rate_hz(marks: list[tuple[float, int]]) -> float | None:
    """Frames per second by the computer's clock, from the first second on: a stream begins with a burst."""
    settled = [mark for mark in marks if mark[0] > marks[0][0] + 1.0]
    if len(settled) < 2 or settled[-1][0] - settled[0][0] < RATE_TRUST_S:
        return None
    return (settled[-1][1] - settled[0][1]) / (settled[-1][0] - settled[0][0])


def _say_hop(stream: AudioStream, now: int, language: str) -> int:
    """Ask aloud for hops, where the language has the words; the frame from which there is time to be in place."""
    word = load_word(HOP_WORD, language)
    if word is None:
        return now
    sound = resample(word, stream.rate_hz)
    start = now + frames_from_s(HOP_NOTICE_S, stream.rate_hz)
    stream.play(start, sound, Cue("feedback", HOP_WORD, 0.0))
    return start + len(sound.samples) + frames_from_s(HOP_LEAD_S, stream.rate_hz)


def _hops(stream: AudioStream, zero: int, measured: Measured, placement: Placement) -> tuple[Hops, Landings]:
    """Six hops with a contact each, heard as in a session; how well, and what they sounded like."""
    reps = tuple(_hop(index) for index in range(HOPS))
    bank = load_bank(Plan(Drill("hops", "", ()), 0, reps), stream.rate_hz)
    listener = Listener(stream.rate_hz, stream.input_channels)
    session = Session(reps, bank, listener, placement, stream.rate_hz, zero=zero)
    blocks: list[Block] = []
    touchdowns_s: list[float] = []
    running = True
    while running:
        end_if_asked()
        blocks.append(stream.read())
        for event in session.feed(blocks[-1]):
            match event:
                case Play():
                    stream.play(event.start, event.sound, event.cue, event.rep)
                case Judged() if event.verdict.touchdown_s is not None:
                    touchdowns_s.append(event.verdict.touchdown_s)
                case Ended():
                    running = False
    heard = np.concatenate([block.samples for block in blocks]).astype(np.float64).mean(axis=1)
    landing = filtered(heard, "bandpass", LANDING_BAND_HZ, stream.rate_hz)
    peaks_db = []
    for at_s in touchdowns_s:
        first = frames_from_s(at_s, stream.rate_hz) - blocks[0].start
        piece = landing[first : first + frames_from_s(LANDING_S, stream.rate_hz)]
        peaks_db.append(db_from_ratio(float(np.abs(piece).max(initial=0.0))))
    over_db = None
    if peaks_db and measured.noise_db is not None:
        over_db = float(np.median(peaks_db)) - measured.noise_db
    return Hops(HOPS, len(touchdowns_s), over_db, listener.audible_share()), listener.landings


def _hop(index: int) -> Rep:
    start_s = 1.0 + index * HOP_EVERY_S
    contact_s = start_s + HOP_SWING_S
    cues = (
        Cue("precue", "swing", HOP_SWING_S, length_s=HOP_SWING_S),
        Cue("contact", "smack", HOP_SWING_S),
    )
    return Rep(index, start_s, start_s + HOP_EVERY_S, contact_s, cues, None, HOP_WINDOW)
