"""What is spoken between the contacts: change, countdown, who is next, half-way, last round, finish.

What is told is laid out anew with every key, from the words that were not said to their end; half-way is half of what
the session then holds, and not of the plan (`tests/group/test_coach_keys.py`). Names are recorded or are numbers: a
speech engine would have to be on every system, and mispronounces them.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from typing import NamedTuple

from drilltimer.group.contacts import TURN_CHANGE_S, Turn
from drilltimer.group.plan import GroupPlan, GroupPlayer
from drilltimer.group.timeline import Stage
from drilltimer.session.layout import RESUME_WORD

CHANGE, REST, HALF_WAY, LAST_ROUND, FINISHED, WELL_DONE = (
    "change", "rest", "half way", "last round", "finished", "well done",
)  # fmt: skip
COUNTDOWN = ((-3.0, "three"), (-2.0, "two"), (-1.0, "one"), (0.0, "go"))
NUMBERS = (
    "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve", "thirteen",
    "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen", "twenty",
)  # fmt: skip
GET_READY = RESUME_WORD.replace("-", " ")
NEXT_EXERCISE, SPLIT_STEPS, TEN_SECONDS = "next exercise", "hop in time with each contact", "ten seconds"
WORDS = (
    CHANGE, REST, HALF_WAY, LAST_ROUND, FINISHED, WELL_DONE, "go", *NUMBERS, NEXT_EXERCISE, SPLIT_STEPS, TEN_SECONDS,
    GET_READY,
)  # fmt: skip
ONCE = (HALF_WAY, LAST_ROUND)  # in a session
PAUSE_S = 0.15  # between two words
CLEAR_S = 0.25  # before the countdown
SHORT_S = 30.0  # a movement so short needs nobody to tell how much is left
LAST_S = 10.0  # what is told is left
TURN_OVER_S = 1.0  # a turn of which so little is left holds no contact any more
HALF_WAY_SHARES = 0.5, 0.7  # of the session, between which a stage's start may be called half-way, our choice
MOST_NAMES = 2  # more lanes than that, and the board tells who is next


class Name(NamedTuple):
    """A word that calls a player, by place in the list."""

    word: str
    player: int


class Spoken(NamedTuple):
    """A word at a time from the start of work; `player` is the one whom it calls."""

    at_s: float
    word: str
    player: int | None = None


def word_of(name: str) -> str:
    """Under which a recording of a name or a movement is looked for."""
    return name.strip().casefold()


def spoken_name(player: GroupPlayer, known: Callable[[str], bool]) -> tuple[str, ...]:
    """Words that call a player: a recording of the name, or else the number; above twenty digit by digit."""
    word = word_of(player.name)
    if not word.isdigit() and known(word):
        return (word,)
    number = int(word) if word.isdigit() and len(word) <= 3 else player.number
    if 1 <= number <= len(NUMBERS):
        return (NUMBERS[number - 1],)
    digits = [int(digit) for digit in str(number)]
    return tuple(NUMBERS[digit - 1] if digit else "ten" for digit in digits)


def calls(plan: GroupPlan, turns: Sequence[Turn], lengths_s: Mapping[str, float]) -> list[list[Name]]:
    """Words that call the players of each turn; more lanes than `MOST_NAMES` are not called, the board tells them."""
    named = []
    for turn in turns:
        players = [player for player in turn.players if player is not None]
        short = players if len(players) <= MOST_NAMES else []
        words = ((spoken_name(plan.players[player], lengths_s.__contains__), player) for player in short)
        named.append([Name(word, player) for each, player in words for word in each])
    return named if any(named) else []


def opening_words(
    stage: Stage, first: bool, gone_share: float, told: Container[str], lengths_s: Mapping[str, float]
) -> list[str]:
    """What is said when a stage begins to be led up to.

    Parameters
    ----------
    first : bool
        Nothing comes before it, so that nobody changes.
    gone_share : float
        Of the session, pauses aside, when its work begins.
    told : container of str
        What is said once a session and was said.
    lengths_s : mapping
        Seconds by word, of the words that are recorded; any other is not said.
    """
    words = [] if first else [REST if stage.opens_round else CHANGE]
    if stage.round == stage.rounds > 1 and LAST_ROUND not in told:
        words.append(LAST_ROUND)
    if HALF_WAY_SHARES[0] <= gone_share <= HALF_WAY_SHARES[1] and HALF_WAY not in told:
        words.append(HALF_WAY)
    exercise = _exercise_word(stage, lengths_s)
    return [*words, *([exercise] if exercise else [])]


def again_words(stage: Stage, unsaid: Sequence[str], called: bool, lengths_s: Mapping[str, float]) -> list[str]:
    """What is said when a stage goes on, or is done once more: nobody is told to change who has been told already.

    Parameters
    ----------
    unsaid : sequence of str
        Of its opening words, those that were cut.
    called : bool
        Players are called by name, which says enough.
    lengths_s : mapping
        Seconds by word, of the words that are recorded; any other is not said.
    """
    words = list(unsaid) if unsaid or called else [GET_READY]
    exercise = _exercise_word(stage, lengths_s)
    return [*words, exercise] if exercise not in ("", NEXT_EXERCISE, *words) else words


def stage_words(
    stage: Stage,
    turns: Sequence[Turn],
    calls: Sequence[Sequence[Name]],
    opening: Sequence[str],
    lead_s: float,
    whole_s: float,
    lengths_s: Mapping[str, float],
) -> list[Spoken]:
    """Every word before and in a stage, timed from the start of its work, or of what is left of it.

    Parameters
    ----------
    turns : sequence of Turn
        Those that are over end at or before zero.
    calls : sequence of sequence of Name
        The words that call the players of each turn; none at all where nobody is called.
    lead_s : float
        Time to say them in.
    whole_s : float
        Length of the work with what is over of it.
    lengths_s : mapping
        Seconds by word, of the words that are recorded; any other is not said.
    """
    open_now = [number for number, turn in enumerate(turns) if turn.closes_s > TURN_OVER_S]
    current = open_now[0] if open_now else len(turns) - 1
    words = lead_words(lead_s, opening, calls[current] if calls else (), lengths_s)
    for turn, names in list(zip(turns, calls, strict=False))[current + 1 :]:
        words += [] if turn.deserted else turn_words(turn, names, lengths_s)
    return words + last_seconds(stage, stage.work_s, whole_s, lengths_s)


def last_seconds(stage: Stage, left_s: float, whole_s: float, lengths_s: Mapping[str, float]) -> list[Spoken]:
    """Telling that ten seconds are left, `left_s` before the end of a movement that is `whole_s` long."""
    clear = lengths_s.get(COUNTDOWN[-1][1], 0.0) + PAUSE_S  # of "go", where less than that is left before it
    if stage.kind != "movement" or whole_s <= SHORT_S or TEN_SECONDS not in lengths_s or left_s - LAST_S < clear:
        return []
    return [Spoken(left_s - LAST_S, TEN_SECONDS)]


def _exercise_word(stage: Stage, lengths_s: Mapping[str, float]) -> str:
    """A movement by its name, where that was recorded; nothing at stations, whose players know."""
    name = word_of(stage.name)
    return {
        "stations": "",
        "together": SPLIT_STEPS,
        "movement": name if name in lengths_s else NEXT_EXERCISE,
    }[stage.kind]


def lead_words(
    lead_s: float, opening: Sequence[str], names: Sequence[Name], lengths_s: Mapping[str, float]
) -> list[Spoken]:
    """Words before a stage, timed from the start of its work.

    Parameters
    ----------
    lead_s : float
        How long before that the change-over begins.
    opening : sequence of str
        Spoken one after the other from there; the first one exactly then. What finds no room is left out, the last
        one first.
    names : sequence of Name
        Spoken right before the countdown.
    lengths_s : mapping
        Seconds by word, of the words that are recorded; any other is not said.
    """
    countdown = [Spoken(at_s, word) for at_s, word in COUNTDOWN if word in lengths_s and at_s >= -lead_s]
    starts_s = min((each.at_s for each in countdown), default=0.0) - CLEAR_S
    calls = [name for name in names if name.word in lengths_s]
    calling_s = starts_s - sum(lengths_s[name.word] + PAUSE_S for name in calls)
    spoken, now_s = list[Spoken](), -lead_s
    for number, word in enumerate(opening):
        if word in lengths_s and (number == 0 or now_s + lengths_s[word] <= calling_s):
            spoken.append(Spoken(now_s, word))
            now_s += lengths_s[word] + PAUSE_S
    if calling_s >= now_s:
        spoken += _row(calls, calling_s, lengths_s)
    in_time = (each for each in spoken if each.at_s + lengths_s[each.word] <= starts_s + CLEAR_S)
    return sorted([*in_time, *countdown], key=lambda each: each.at_s)


def turn_words(turn: Turn, names: Sequence[Name], lengths_s: Mapping[str, float]) -> list[Spoken]:
    """Words that call the players of a turn, in the pause before it."""
    begins_s = turn.opens_s - TURN_CHANGE_S + PAUSE_S
    change = [Spoken(begins_s, CHANGE)] * (CHANGE in lengths_s)
    called = [name for name in names if name.word in lengths_s]
    spoken = [*change, *_row(called, begins_s + (lengths_s[CHANGE] + PAUSE_S if change else 0.0), lengths_s)]
    return [each for each in spoken if each.at_s + lengths_s[each.word] <= turn.opens_s]


def _row(names: Iterable[Name], at_s: float, lengths_s: Mapping[str, float]) -> list[Spoken]:
    spoken = []
    for word, player in names:
        spoken.append(Spoken(at_s, word, player))
        at_s += lengths_s[word] + PAUSE_S
    return spoken
