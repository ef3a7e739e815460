"""Reps on the frames of a stream: where their sounds start, where to listen for landings, and so after a pause."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from drilltimer.drill.schedule import SEARCH_BEFORE_S
from drilltimer.hear.listen import Listener
from drilltimer.model import Expectation, Rep, Sound
from drilltimer.session.events import Play
from drilltimer.units import frames_from_s

PAUSE_WORD, RESUME_WORD = "stop", "get-ready"
HARDER_WORD, EASIER_WORD, GUESS_WORD = "harder", "easier", "your-guess"
SESSION_WORDS = (PAUSE_WORD, RESUME_WORD, HARDER_WORD, EASIER_WORD, GUESS_WORD)
CLOSES_S = 1.35  # first steps are heard until so long after the contact, unless the next rep comes first

Bank = Mapping[tuple[str, float | None], Sound]


def renewed(listener: Listener, rate_hz: int, lost: bool) -> Listener:
    """A listener that goes on with what `listener` has learned; with `lost`, but for the stream's own latency."""
    for ear in listener.ears if lost else ():
        ear.line.restart()
    return Listener(rate_hz, len(listener.ears), ears=listener.ears)


def place_cues(rep: Rep, bank: Bank, rate_hz: int, zero: int = 0) -> list[Play]:
    """Sounds of a rep at their frames; `zero` is the frame of the session's start."""
    plays = []
    for cue in rep.cues:
        sound = bank[cue.sound, cue.length_s]
        at = zero + frames_from_s(rep.start_s + cue.at_s, rate_hz)
        plays.append(Play(at - sound.anchor, sound, cue, rep))
    return plays


def expectations(
    reps: Sequence[Rep], plays: Mapping[int, Sequence[Play]], rate_hz: int, zero: int = 0
) -> list[Expectation]:
    """What the listener must look out for, rep by rep; `plays` are each rep's sounds by the rep's index."""
    contacts = []
    for rep in reps:
        contact = next((play for play in plays[rep.index] if play.cue.role == "contact"), None)
        at = contact.start if contact else zero + frames_from_s(rep.contact_s, rate_hz)
        contacts.append((rep.index, at, len(contact.sound.samples) if contact else 0, rep.withheld))
    return list(hearing_ranges(contacts, rate_hz))


def hearing_ranges(contacts: Sequence[tuple[int, int, int, bool]], rate_hz: int) -> Iterator[Expectation]:
    """Expectations from (rep, frame, frames long, withheld) of contacts in time order; neighbours share the time."""
    before, after = frames_from_s(SEARCH_BEFORE_S, rate_hz), frames_from_s(CLOSES_S, rate_hz)
    for index, (rep, at, frames, withheld) in enumerate(contacts):
        opens, closes = at - before, at + after
        if index:
            opens = max(opens, contacts[index - 1][1] + before)
        if index + 1 < len(contacts):
            closes = min(closes, max(contacts[index + 1][1] - before, at + before))
        yield Expectation(rep, at, frames, opens, closes, withheld)


def later(rep: Rep, by_s: float) -> Rep:
    """`rep`, moved to `by_s` later."""
    return replace(rep, start_s=rep.start_s + by_s, end_s=rep.end_s + by_s, contact_s=rep.contact_s + by_s)
