"""One stage on the stream's frames: its words and contacts, and what is still to be heard of it."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from drilltimer.group.announce import CHANGE, PAUSE_S, Spoken
from drilltimer.group.contacts import TURN_CHANGE_S, Contacts
from drilltimer.group.events import Say
from drilltimer.group.rotation import Seats, Squad
from drilltimer.group.timeline import Stage
from drilltimer.model import Cue, Expectation, Rep
from drilltimer.session.events import Play
from drilltimer.session.layout import Bank, expectations, later, place_cues
from drilltimer.session.session import AHEAD_S
from drilltimer.units import frames_from_s, s_from_frames

HEARING_TAIL_S = 3.0  # after a stage's end its last landing is judged at the latest
CALL_NOTICE_S = 0.15  # a call is handed out so long before it sounds, when the word before it is over

MakeBank = Callable[[Iterable[Cue]], Bank]


@dataclass
class Running:
    """A stage that was put on the stream. `start` and `end` are the frames between which all work.

    `reps` are timed from the session's zero, by index; `unheard` are the lanes of each rep that are not judged yet.
    `source` is the stage as it was planned, and `whole_s` the length of all its work, where only what is left of it was
    put on the stream; `says` are all its words, and `opening` those of them that began it; `handed` are the sounds that
    were handed out and are not over.
    """

    stage: Stage
    start: int
    end: int
    contacts: Contacts
    reps: dict[int, Rep]
    sounds: deque[Play | Say]
    expected: deque[Expectation]
    begins: dict[int, int]
    unheard: dict[int, set[int]]
    says: list[Say]
    source: Stage
    whole_s: float
    opening: tuple[str, ...] = ()
    handed: list[Play | Say] = field(default_factory=list)

    def due(self, now: int, rate_hz: int) -> list[Play | Say]:
        """Sounds to be handed out now: early, but for the words that call a player, who may be taken out yet."""
        waiting, due = list[Play | Say](), list[Play | Say]()
        while self.sounds and self.sounds[0].start <= now + frames_from_s(AHEAD_S, rate_hz):
            sound = self.sounds.popleft()
            calls = isinstance(sound, Say) and sound.player is not None
            held = calls and sound.start > now + frames_from_s(CALL_NOTICE_S, rate_hz)
            (waiting if held else due).append(sound)
        self.sounds.extendleft(reversed(waiting))
        self.handed = [each for each in self.handed if each.start + len(each.sound.samples) > now] + due
        return due

    def begun(self, now: int) -> list[int]:
        """Reps that have begun to sound and are not judged yet."""
        return [index for index in self.unheard if self.begins[index] < now]

    def awaits(self, now: int, rate_hz: int) -> bool:
        """Whether something of it may still be heard."""
        return bool(self.unheard) and now < self.end + frames_from_s(HEARING_TAIL_S, rate_hz)

    def unsaid(self, now: int) -> tuple[str, ...]:
        """Opening words that are not all said."""
        coming = {say.cue.sound for say in self.says if say.end > now}
        return tuple(word for word in self.opening if word in coming)

    def take_back(self, unwanted: Callable[[Say], bool], now: int) -> bool:
        """Drop words that are still to be said; True when one was handed out already and is not all said."""
        taken = {id(say) for say in self.says if unwanted(say) and say.end > now}
        waiting = taken & {id(sound) for sound in self.sounds}
        self.says = [say for say in self.says if id(say) not in taken]
        self.sounds = deque(sound for sound in self.sounds if id(sound) not in waiting)
        self.handed = [sound for sound in self.handed if id(sound) not in taken]
        return len(waiting) < len(taken)

    def turn_at(self, now: int, rate_hz: int) -> int:
        """Place of the turn that runs at a frame, or comes next."""
        time_s = s_from_frames(now - self.start, rate_hz)
        turns = self.contacts.turns
        return next((number for number, turn in enumerate(turns) if time_s < turn.closes_s), len(turns) - 1)


def put_on_stream(
    stage: Stage,
    start: int,
    contacts: Contacts,
    words: Sequence[Spoken],
    make_bank: MakeBank,
    rate_hz: int,
    zero: int,
    heard: bool,
) -> Running:
    """Lay a stage's sounds on frames.

    Parameters
    ----------
    start : int
        Frame at which work begins.
    make_bank : callable
        Sounds of some cues, ready to be played.
    zero : int
        Frame of the session's start, from which reps are timed.
    heard : bool
        A microphone listens to this stage.
    """
    begin_s = s_from_frames(start - zero, rate_hz)
    reps = [later(rep, begin_s) for rep in contacts.reps]
    spoken = [Cue("precue", word.word, word.at_s) for word in words]
    bank = make_bank([*spoken, *(cue for rep in reps for cue in rep.cues)])
    plays = {rep.index: place_cues(rep, bank, rate_hz, zero) for rep in reps}
    says = []
    for word, cue in zip(words, spoken, strict=True):
        sound = bank[cue.sound, None]
        says.append(Say(start + frames_from_s(cue.at_s, rate_hz) - sound.anchor, sound, cue, word.player))
    sounds: list[Play | Say] = [*says, *(play for each in plays.values() for play in each)]
    expected = expectations(reps, plays, rate_hz, zero) if heard else []
    begins = {
        rep.index: min((play.start for play in plays[rep.index]), default=zero + frames_from_s(rep.contact_s, rate_hz))
        for rep in reps
    }
    return Running(
        stage,
        start,
        start + frames_from_s(stage.work_s, rate_hz),
        contacts,
        {rep.index: rep for rep in reps},
        deque(sorted(sounds, key=lambda sound: sound.start)),
        deque(expected),
        begins,
        {rep.index: set(contacts.lanes_of[rep.index]) for rep in reps} if heard else {},
        says,
        stage,
        stage.work_s,
    )


def say_words(
    words: Sequence[str], at: int, make_bank: MakeBank, lengths_s: Mapping[str, float], rate_hz: int
) -> list[Say]:
    """Words one after the other, the first at frame `at`; what has no recording is left out."""
    says = []
    for word in words:
        if word in lengths_s:
            cue = Cue("precue", word, 0.0)
            sound = make_bank([cue])[word, None]
            says.append(Say(at - sound.anchor, sound, cue))
            at += frames_from_s(lengths_s[word] + PAUSE_S, rate_hz)
    return says


def lengthen(running: Running, added: Running, more_s: float) -> None:
    """Put a piece of work, laid out from a stage's end, on to it; whose turn is last has it all."""
    turns, last = running.contacts.turns, len(running.contacts.turns) - 1
    reps = tuple(later(rep, running.stage.work_s) for rep in added.contacts.reps)  # they were timed from its end
    running.contacts = Contacts(
        (*turns[:-1], replace(turns[-1], closes_s=running.stage.work_s + more_s)),
        (*running.contacts.reps, *reps),
        {**running.contacts.turn_of, **dict.fromkeys(added.contacts.turn_of, last)},
        {**running.contacts.lanes_of, **added.contacts.lanes_of},
    )
    running.stage = replace(running.stage, work_s=running.stage.work_s + more_s)
    running.whole_s += more_s
    running.says += added.says
    running.reps |= added.reps
    running.sounds.extend(added.sounds)
    running.expected.extend(added.expected)
    running.begins |= added.begins
    running.unheard |= added.unheard
    running.end = added.end


def leave(live: Sequence[Running], player: int, now: int) -> tuple[bool, bool]:
    """Take a player out of stages: nothing that is not judged yet is this player's any more, and no word calls them.

    A turn that is nobody's any more falls silent. Answers whether a word that calls them was handed out and is not all
    said, and whether a turn fell silent.
    """
    asked = [len(running.contacts.reps) for running in live]
    called = [_leave(running, player, now) for running in live]
    return any(called), asked != [len(running.contacts.reps) for running in live]


def _leave(running: Running, player: int, now: int) -> bool:
    seats = running.stage.seats
    stations = tuple(_without(squad, player) for squad in seats.stations)
    running.stage = replace(running.stage, seats=Seats(stations, _without(seats.resting, player)))
    turns = tuple(
        replace(turn, players=tuple(None if each == player else each for each in turn.players))
        for turn in running.contacts.turns
    )
    running.contacts = replace(running.contacts, turns=turns)
    _silence_deserted(running, now)
    return running.take_back(lambda say: say.player == player, now)


def _silence_deserted(running: Running, now: int) -> None:
    """Drop what was not handed out yet of turns that are nobody's: their reps, and the word to change for them."""
    contacts = running.contacts
    empty = {number for number, turn in enumerate(contacts.turns) if turn.deserted}
    begun = {index for index, begins in running.begins.items() if begins <= now}
    begun |= {sound.rep.index for sound in running.handed if isinstance(sound, Play)}
    dropped = {each.rep for each in running.expected if contacts.turn_of[each.rep] in empty} - begun
    opens_s = [contacts.turns[number].opens_s for number in empty - {0}]  # before the first, all change

    def is_dropped(sound: Play | Say) -> bool:
        if isinstance(sound, Play):
            return sound.rep.index in dropped
        return sound.cue.sound == CHANGE and any(0.0 < each - sound.cue.at_s < TURN_CHANGE_S for each in opens_s)

    gone = {id(sound) for sound in running.sounds if is_dropped(sound)}
    running.sounds = deque(sound for sound in running.sounds if id(sound) not in gone)
    running.says = [say for say in running.says if id(say) not in gone]
    running.expected = deque(each for each in running.expected if each.rep not in dropped)
    running.unheard = {index: lanes for index, lanes in running.unheard.items() if index not in dropped}
    running.contacts = replace(contacts, reps=tuple(rep for rep in contacts.reps if rep.index not in dropped))


def _without(squad: Squad, player: int) -> Squad:
    return tuple(other for other in squad if other != player)


def rest_of(running: Running, now: int, rate_hz: int) -> tuple[Stage, Contacts]:
    """What is left of a stage after a break at frame `now`: its reps that have not begun, timed anew.

    The stage that comes back lasts as long as was left of it.
    """
    gone_s = max(0.0, s_from_frames(now - running.start, rate_hz))
    stage = replace(running.stage, work_s=max(running.stage.work_s - gone_s, 0.0))
    left = [rep for rep in running.contacts.reps if running.begins[rep.index] >= now]
    shift_s = -min(gone_s, min((rep.start_s for rep in left), default=gone_s))
    turns = tuple(
        replace(turn, opens_s=max(turn.opens_s - gone_s, 0.0), closes_s=max(turn.closes_s - gone_s, 0.0))
        for turn in running.contacts.turns
    )
    reps = tuple(moved for rep in left if (moved := later(rep, shift_s)).end_s <= stage.work_s + 1e-9)
    return stage, replace(running.contacts, turns=turns, reps=reps)
