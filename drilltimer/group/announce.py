"""What is spoken between the contacts: change, countdown, who is next, half-way, last round, finish."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from drilltimer.group.contacts import TURN_CHANGE_S, Turn
from drilltimer.group.plan import GroupPlayer
from drilltimer.group.timeline import Stage

CHANGE, REST, HALF_WAY, LAST_ROUND, FINISHED, WELL_DONE = (
    "change", "rest", "half way", "last round", "finished", "well done",
)  # fmt: skip
COUNTDOWN = ((-3.0, "three"), (-2.0, "two"), (-1.0, "one"), (0.0, "go"))
NUMBERS = (
    "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve", "thirteen",
    "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen", "twenty",
)  # fmt: skip
NEXT_EXERCISE, SPLIT_STEPS, TEN_SECONDS = "next exercise", "hop in time with each contact", "ten seconds"
WORDS = (
    CHANGE, REST, HALF_WAY, LAST_ROUND, FINISHED, WELL_DONE, "go", *NUMBERS, NEXT_EXERCISE, SPLIT_STEPS, TEN_SECONDS,
)  # fmt: skip
PAUSE_S = 0.15  # between two words
CLEAR_S = 0.25  # before the countdown
SHORT_S = 30.0  # a movement so short needs nobody to tell how much is left
MOST_NAMES = 2  # more lanes than that, and the board tells who is next

Spoken = tuple[float, str]  # when, from the start of work; and the word


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


def stage_words(
    stage: Stage, opening: Sequence[str], names: Sequence[str], lengths_s: Mapping[str, float]
) -> list[Spoken]:
    """Words before and in a stage; as `lead_words`, and in a warm-up what all do next and how much is left of it."""
    exercise = _exercise_word(stage, lengths_s)
    words = lead_words(stage.lead_s, [*opening, *([exercise] if exercise else [])], names, lengths_s)
    if stage.kind == "movement" and stage.work_s > SHORT_S and TEN_SECONDS in lengths_s:
        words.append((stage.work_s - 10.0, TEN_SECONDS))
    return words


def _exercise_word(stage: Stage, lengths_s: Mapping[str, float]) -> str:
    """A movement by its name, where that was recorded; nothing at stations, whose players know."""
    name = word_of(stage.name)
    return {
        "stations": "",
        "together": SPLIT_STEPS,
        "movement": name if name in lengths_s else NEXT_EXERCISE,
    }[stage.kind]


def lead_words(
    lead_s: float, opening: Sequence[str], names: Sequence[str], lengths_s: Mapping[str, float]
) -> list[Spoken]:
    """Words before a stage, timed from the start of its work.

    Parameters
    ----------
    lead_s : float
        How long before that the change-over begins.
    opening : sequence of str
        Spoken one after the other from there; the first one exactly then. What finds no room is left out, the last
        one first.
    names : sequence of str
        Spoken right before the countdown.
    lengths_s : mapping
        Of the words; one that is missing has no recording and is left out.
    """
    countdown = [(at_s, word) for at_s, word in COUNTDOWN if word in lengths_s and at_s >= -lead_s]
    starts_s = min((at_s for at_s, _ in countdown), default=0.0) - CLEAR_S
    calls = [word for word in names if word in lengths_s]
    calling_s = starts_s - sum(lengths_s[word] + PAUSE_S for word in calls)
    spoken, now_s = list[Spoken](), -lead_s
    for number, word in enumerate(opening):
        if word in lengths_s and (number == 0 or now_s + lengths_s[word] <= calling_s):
            spoken.append((now_s, word))
            now_s += lengths_s[word] + PAUSE_S
    if calling_s >= now_s:
        spoken += _row(calls, calling_s, lengths_s)
    return sorted([*(each for each in spoken if each[0] + lengths_s[each[1]] <= starts_s + CLEAR_S), *countdown])


def turn_words(turn: Turn, names: Sequence[str], lengths_s: Mapping[str, float]) -> list[Spoken]:
    """Words that call the players of a turn, in the pause before it."""
    words = [word for word in (CHANGE, *names) if word in lengths_s]
    spoken = _row(words, turn.opens_s - TURN_CHANGE_S + PAUSE_S, lengths_s)
    return [(at_s, word) for at_s, word in spoken if at_s + lengths_s[word] <= turn.opens_s]


def _row(words: Sequence[str], at_s: float, lengths_s: Mapping[str, float]) -> list[Spoken]:
    spoken = []
    for word in words:
        spoken.append((at_s, word))
        at_s += lengths_s[word] + PAUSE_S
    return spoken
