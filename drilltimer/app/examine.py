"""What is not wrong with a drill but doubtful, told alike wherever it is looked at, or run."""

from __future__ import annotations

from collections.abc import Iterator

from drilltimer.audio.files import load_word
from drilltimer.drill.load import DEFERENCE, Caution, cautions, measure_load
from drilltimer.drill.schedule import room_after_s, schedule
from drilltimer.errors import Notice, notice
from drilltimer.model import Drill, DrillBlock
from drilltimer.score.match import FASTEST_REACTION_MS
from drilltimer.sound.render import RENDERED
from drilltimer.units import s_from_frames

SEEDS = (0, 1, 2)  # waits and rallies are drawn: a caution counts when any of these draws deserves it
SLACK_S = 0.01  # a call may end so much after its room without anybody hearing it


def cautions_of(drill: Drill) -> list[Caution]:
    """All of them; of its load those that any of the draws deserves, one per setting."""
    told: dict[tuple[str, int | None], Caution] = {}
    for seed in SEEDS:
        for caution in cautions(drill, measure_load(drill, schedule(drill, seed))):
            told.setdefault((caution.key, caution.block), caution)
    return [*told.values(), *_doubts(drill)]


def told_before(drill: Drill) -> list[Notice]:
    """The same, to be told before a session begins; nothing where there are none."""
    found = cautions_of(drill)
    return [*(notice("caution", text=each.message) for each in found), *[DEFERENCE] * bool(found)]


def _doubts(drill: Drill) -> Iterator[Caution]:
    for number, block in enumerate(drill.blocks):
        yield from _missing_words(block, number)
        yield from _long_calls(block, number)
        yield from _strange_window(block, number)


def _missing_words(block: DrillBlock, number: int) -> Iterator[Caution]:
    speech, calls, wait = block.speech, block.calls, block.rhythm.wait
    spoken = {
        "calls": calls.words if calls and not calls.tones else (),
        "speech": (*speech.explain, *speech.reminders, *speech.finish),
        "rhythm": (wait.word,) if wait and wait.word else (),
    }
    for key, words in spoken.items():
        for word in dict.fromkeys(words):
            if word not in RENDERED and load_word(word) is None:
                message = f'there is no recording of "{word}": drilltimer sounds record "{word}"'
                yield Caution(message, key, number)


def _long_calls(block: DrillBlock, number: int) -> Iterator[Caution]:
    """Calls that are still sounding when the next lead-in may begin; the schedule gives each 0.45 s."""
    calls = block.calls
    if calls is None or calls.tones:
        return
    last_s = calls.delay_high_s + (calls.switch_after_s if calls.switch_share else 0.0)
    for word, recognised_s in zip(calls.words, calls.recognised_s, strict=True):
        sound = load_word(word)
        if sound is None:
            continue
        length_s = s_from_frames(len(sound.samples) - sound.anchor, sound.rate_hz)
        if calls.known:
            length_s -= recognised_s
        if last_s + length_s > room_after_s(block) + SLACK_S:
            message = (
                f'"{word}" lasts {length_s:.2f} s: called up to {last_s:g} s after the contact, it overlaps the next '
                "lead-in; say it shorter or call it sooner"
            )
            yield Caution(message, "calls", number)


def _strange_window(block: DrillBlock, number: int) -> Iterator[Caution]:
    if block.mode == "reactive" and block.window.open_ms < FASTEST_REACTION_MS:
        message = (
            f"opens {block.window.open_ms:g} ms after the contact, but nobody can answer an unannounced one within "
            f"{FASTEST_REACTION_MS:g} ms: such landings count as guesses"
        )
        yield Caution(message, "window", number)
    if block.mode == "predictive" and block.window.open_ms < 0.0:
        message = "opens before the contact, but landings before it are never on time"
        yield Caution(message, "window", number)
