"""One landing against one rep: touchdown at the player, error, grade.

Notes
-----
The microphone hears both ends of the interval. A foot that touches down at time f is heard at f + pm/c, a contact
cue that leaves the loudspeaker at time e is heard by the microphone at e + sm/c and by the player at e + sp/c, where
pm, sm and sp are the distances player to microphone, speaker to microphone and speaker to player, and c is the speed
of sound. What counts is f - (e + sp/c), which is the heard interval minus (pm + sp - sm)/c. Device latency is in both
ends and cancels.
"""

from __future__ import annotations

import math
from dataclasses import replace

from drilltimer.errors import Notice, notice
from drilltimer.model import (
    FASTEST_ANSWER_MS,
    TIMED_GRADES,
    TYPICAL_RECOGNITION_S,
    Grade,
    Heard,
    Mode,
    Onset,
    Placement,
    Rep,
    Verdict,
    Window,
)
from drilltimer.units import air_delay_ms, ms_from_s, s_from_frames

# Common practice, no source: a landing this long after the opponent's contact answers the ball, not the contact.
PREDICTIVE_LIMIT_MS = 600.0
# Same idea where the cue comes unannounced: the window itself lies later, so the limit goes with it.
REACTIVE_LIMIT_AFTER_CLOSE_MS = 400.0
# Derived: fastest force after a sound about 100 ms, plus the shortest flight of a hop, 100 ms. Sooner is a guess.
FASTEST_REACTION_MS = 200.0
# An edge of the window, or a call, must not hinge on the last bit of a floating-point difference of frame numbers.
ROUND_MS_DECIMALS = 6
BY_HAND = notice("by_hand")  # why a rep is void that somebody declared so


def correction_ms(placement: Placement) -> float:
    """Milliseconds that the heard interval from contact to touchdown is too long for `placement`.

    Negative where the microphone stands nearer to the player than the loudspeaker by more than the cue's way.
    """
    extra_m = placement.player_to_mic_m + placement.speaker_to_player_m - placement.speaker_to_mic_m
    return air_delay_ms(extra_m, placement.air_c)


def grade_touchdown(touchdown_ms: float, window: Window, mode: Mode) -> Grade:
    """Grade of a touchdown `touchdown_ms` after the contact, at the player.

    Parameters
    ----------
    touchdown_ms : float
        Negative before the contact.
    window : Window
        Both ends included.
    mode : {"predictive", "reactive"}
        In reactive mode nothing announces the contact, so that a landing within 200 ms of it is a guess and
        therefore early, wherever the window opens.
    """
    if touchdown_ms < 0:
        return Grade.BEFORE
    reactive = mode == "reactive"
    if touchdown_ms < window.open_ms or (reactive and touchdown_ms < FASTEST_REACTION_MS):
        return Grade.EARLY
    if touchdown_ms <= window.close_ms:
        return Grade.ON_TIME
    limit_ms = window.close_ms + REACTIVE_LIMIT_AFTER_CLOSE_MS if reactive else PREDICTIVE_LIMIT_MS
    return Grade.LATE if touchdown_ms <= limit_ms else Grade.MISSED


def judge(heard: Heard, rep: Rep, placement: Placement, rate_hz: float, way_doubt_ms: float = 0.0) -> Verdict:
    """Verdict on `rep` from what the microphone heard of it.

    Parameters
    ----------
    heard : Heard
        Frames of the microphone signal, at `rate_hz` frames a second.
    rep : Rep
        Window, mode, call, and whether its contact was withheld.
    placement : Placement
        Distances and air temperature, for the sound's way.
    rate_hz : float
        May be fractional, where a recorder's clock is known to be skewed.
    way_doubt_ms : float
        One standard deviation of the correction for distance, where not all of it is known.

    Returns
    -------
    Verdict
        `error_ms` is None unless the grade is a timed one: a landing beyond the limit is reported but answers no
        contact, and on a withheld rep there is nothing to be early or late for. A void rep carries no times
        but the contact's, because numbers that might be wrong are not told. A hop in answer to a withheld
        contact is good practice; only a first step counts as having moved, which is a guess, as is a first step
        that comes too soon after its direction is known to answer it (`FASTEST_ANSWER_MS`).

    Raises
    ------
    ValueError
        When `heard` belongs to another rep.
    """
    if heard.rep != rep.index:
        raise ValueError(f"what was heard belongs to rep {heard.rep}, not to rep {rep.index}")
    verdict = _judge(heard, rep, placement, rate_hz, way_doubt_ms)
    return replace(
        verdict,
        guessed=_is_guess(verdict, rep),
        level=rep.level,
        window_open_ms=rep.window.open_ms,
        window_close_ms=rep.window.close_ms,
    )


def _judge(heard: Heard, rep: Rep, placement: Placement, rate_hz: float, way_doubt_ms: float) -> Verdict:
    contact = heard.contact
    heard_s = s_from_frames(contact.at, rate_hz) if contact is not None and heard.contact_heard else None
    void = heard.void or ("" if contact is not None else "no_zero")
    if void or contact is None:
        return Verdict(rep.index, Grade.VOID, rep.call, contact_heard_s=heard_s, void=notice(void))
    landing = heard.landing
    if landing is None:
        grade = Grade.KEPT_STILL if rep.withheld else Grade.MISSED
        return Verdict(rep.index, grade, rep.call, contact_heard_s=heard_s)

    way_ms = correction_ms(placement)
    touchdown_ms = _after_ms(contact, landing.touchdown, rate_hz, way_ms)
    if rep.withheld:
        grade = Grade.MOVED if landing.first_step else Grade.KEPT_STILL
    else:
        grade = grade_touchdown(touchdown_ms, rep.window, rep.mode)
    timed = grade in TIMED_GRADES
    second, step = landing.second_touchdown, landing.first_step
    return Verdict(
        rep=rep.index,
        grade=grade,
        call=rep.call,
        contact_heard_s=heard_s,
        touchdown_s=s_from_frames(landing.touchdown.at, rate_hz),
        second_touchdown_s=s_from_frames(second.at, rate_hz) if second else None,
        first_step_s=s_from_frames(step.at, rate_hz) if step else None,
        touchdown_ms=touchdown_ms,
        error_ms=touchdown_ms - rep.window.centre_ms if timed else None,
        uncertainty_ms=math.hypot(contact.uncertainty_ms, landing.touchdown.uncertainty_ms, way_doubt_ms),
        ear_uncertainty_ms=math.hypot(contact.uncertainty_ms, landing.touchdown.uncertainty_ms),
        stagger_ms=_after_ms(landing.touchdown, second, rate_hz) if second else None,
        first_step_ms=_after_ms(contact, step, rate_hz, way_ms) if step else None,
    )


def _is_guess(verdict: Verdict, rep: Rep) -> bool:
    """Whether the first step cannot have answered anything; a call that was taken back is something to answer."""
    if verdict.first_step_ms is None:
        return False
    known_ms = directions_known_ms(rep)
    if rep.withheld or not known_ms:
        return rep.withheld
    return verdict.first_step_ms < round(known_ms[0] + FASTEST_ANSWER_MS, ROUND_MS_DECIMALS)


def directions_known_ms(rep: Rep) -> list[float]:
    """When each called direction of a rep is known, in ms after the contact, the first one first.

    Loudspeaker to player takes call and contact as long. Where nobody kept how soon a word is recognised, it is taken
    to be `TYPICAL_RECOGNITION_S` after its onset.
    """
    calls = [cue for cue in rep.cues if cue.role == "call"]
    return sorted(
        ms_from_s(
            rep.start_s - rep.contact_s + cue.at_s + (TYPICAL_RECOGNITION_S if cue.known_s is None else cue.known_s)
        )
        for cue in calls
    )


def _after_ms(zero: Onset, event: Onset, rate_hz: float, way_ms: float = 0.0) -> float:
    return round(ms_from_s(s_from_frames(event.at - zero.at, rate_hz)) - way_ms, ROUND_MS_DECIMALS)


def void_verdict(rep: Rep, why: Notice) -> Verdict:
    """A rep that nobody could judge, and why."""
    return Verdict(
        rep.index,
        Grade.VOID,
        rep.call,
        void=why,
        level=rep.level,
        window_open_ms=rep.window.open_ms,
        window_close_ms=rep.window.close_ms,
    )
