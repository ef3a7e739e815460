"""Drill and seed become reps: when each contact comes, what announces it, what follows it.

All times are in seconds. A rally is wait, lead-in, contact, interval, lead-in, contact ..., rest. A rep ends
when its landing and its call have been heard, and the next lead-in starts no earlier.

A wait that exceeds its limit is a withheld contact, never redrawn or cut: else the chance rises with time and can be
learned.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import count, cycle, islice
from random import Random

from drilltimer.drill.shuffle import (
    draw_between,
    draw_calls,
    draw_index,
    draw_interval_s,
    draw_wait_s,
    split_seed,
)
from drilltimer.drill.windows import has_level, ladder_for
from drilltimer.model import (
    LONGEST_CALL_S,
    TYPICAL_RECOGNITION_S,
    Calls,
    Cue,
    Drill,
    DrillBlock,
    Hitter,
    LeadIn,
    Rep,
    Situation,
    Window,
)

FIRST_CUE_S = 1.0  # the stream settles and the room's noise is measured before the first sound
SEARCH_BEFORE_S = 0.3  # touchdowns are looked for from so long before the contact ...
SEARCH_AFTER_S = 0.7  # ... to so long after it
STEP_S = (
    0.7  # first steps are listened for so long after their direction is known: novices' come after 0.6 s (simulated)
)
# A spoken line of n letters is given 0.7 + 0.06 n seconds: the longest shipped one has 32 and lasts 1.73 s.
LINE_S = 0.7
LETTER_S = 0.06
CALL_PAN = {"left": -0.8, "right": 0.8}


@dataclass(frozen=True, slots=True)
class _Moment:
    """One contact's place in its block, before its sounds are chosen."""

    start_s: float
    contact_s: float
    lead_in: LeadIn
    situation: Situation
    window: Window
    withheld: bool
    silent: bool  # not even a lead-in: the wait ran out
    lead_in_s: float
    words: tuple[tuple[float, str], ...]  # when, what


@dataclass(frozen=True, slots=True)
class _Call:
    """The word that counts, and its sounds timed from the contact."""

    word: str | None = None
    cues: tuple[Cue, ...] = ()


def schedule(drill: Drill, seed: int) -> tuple[Rep, ...]:
    """Lay out every rep of `drill`. The same drill and seed always give the same reps.

    Raises
    ------
    ValueError
        When a block asks for the impossible; `load_drill` lets no such drill through.
    """
    reps: list[Rep] = []
    start_s = FIRST_CUE_S
    for number, (block, block_draws) in enumerate(zip(drill.blocks, split_seed(seed, len(drill.blocks)), strict=True)):
        block_seed = int(block_draws.random() * 2**53)
        new = _schedule_block(block, block_seed, start_s, len(reps))
        reps.extend(replace(rep, block=number) for rep in new)
        start_s = (new[-1].end_s if new else start_s) + block.rest_s
    return tuple(reps)


def room_after_s(block: DrillBlock) -> float:
    """Time after a contact in which no lead-in may start: the landing and the call must be heard."""
    calls = block.calls
    if calls is None:
        return SEARCH_AFTER_S
    last_call_s = calls.delay_high_s + (calls.switch_after_s if calls.switch_share else 0.0)
    return max(SEARCH_AFTER_S, last_call_s + (STEP_S if calls.known else LONGEST_CALL_S))


def line_s(line: str) -> float:
    """Time that a spoken line is given, its pause included."""
    return LINE_S + LETTER_S * len(line)


def least_interval_s(block: DrillBlock) -> float:
    """Shortest time between two contacts of a rally that leaves every landing its search range."""
    return max(room_after_s(block) + block.lead_in.longest_s, SEARCH_BEFORE_S + SEARCH_AFTER_S)


def _schedule_block(block: DrillBlock, seed: int, start_s: float, first_index: int) -> list[Rep]:
    rhythm_draws, call_draws, sound_draws = split_seed(seed, 3)
    moments = list(_moments(block, rhythm_draws, start_s))
    called = _calls_for(block.calls, call_draws, moments)
    hitters = _hitters_for(block, sound_draws, len(moments))
    reps = [
        _rep(block, first_index + number, *settings)
        for number, settings in enumerate(zip(moments, called, hitters, strict=True))
    ]
    if reps and block.speech.finish:
        reps[-1] = _with_finish(reps[-1], block.speech.finish)
    return reps


def _moments(block: DrillBlock, draws: Random, start_s: float) -> Iterator[_Moment]:
    """Yield the block's contacts in order, rally after rally."""
    now_s = start_s
    sounded = 0
    reminders = cycle(block.speech.reminders)
    lines = block.speech.explain
    while True:
        words, ready_s, silent = _before_rally(block, draws, now_s, lines)
        length = _rally_length(block, draws)
        lead_in, situation, window = _opening(block)
        lead_in_s = _lead_in_s(lead_in, draws)
        contact_s = ready_s + lead_in_s
        rep_start_s = now_s
        for place in count(1):
            withheld = silent or draws.random() < block.withheld_share
            yield _Moment(rep_start_s, contact_s, lead_in, situation, window, withheld, silent, lead_in_s, words)
            sounded += not withheld
            rep_start_s = contact_s + room_after_s(block)
            if _is_done(block, sounded, rep_start_s - start_s):
                return
            # a contact that is withheld ends its rally, unless the rally is the whole block and goes on by itself
            if silent or (length is not None and (withheld or place >= length)):
                break
            lead_in, situation, window, words = block.lead_in, block.situation, block.window, ()
            lead_in_s = _lead_in_s(lead_in, draws)
            contact_s += _interval_s(block, draws, sounded, rep_start_s - start_s)
        work_s = rep_start_s - ready_s
        now_s = rep_start_s + max(block.rhythm.rest_s, block.rhythm.rest_per_work * work_s)
        lines = tuple(islice(reminders, 1))


def _before_rally(
    block: DrillBlock, draws: Random, now_s: float, lines: tuple[str, ...]
) -> tuple[tuple[tuple[float, str], ...], float, bool]:
    """What is spoken and when, when the lead-in starts, and whether the wait ran out so that none does."""
    words = []
    opening, _, _ = _opening(block)
    now_s += max(0.0, SEARCH_BEFORE_S - opening.length_s * (1.0 - opening.spread))  # for an early touchdown
    for line in lines:
        words.append((now_s, line))
        now_s += line_s(line)
    wait = block.rhythm.wait
    if wait is None:
        return tuple(words), now_s, False
    if wait.word:
        words.append((now_s, wait.word))
    wait_s = draw_wait_s(draws, wait.min_s, wait.mean_extra_s, wait.max_s)
    return tuple(words), now_s + (wait.max_s if wait_s is None else wait_s), wait_s is None


def _is_done(block: DrillBlock, sounded: int, passed_s: float) -> bool:
    if block.reps is not None:
        return sounded >= block.reps
    return block.work_s is not None and passed_s >= block.work_s


def _rally_length(block: DrillBlock, draws: Random) -> int | None:
    """Contacts of the next rally; None for one that lasts as long as the block."""
    rally = block.rhythm.rally
    if not rally:
        return None
    choice = rally[draw_index(draws, [length.weight for length in rally])]
    return choice.low + int((choice.high - choice.low + 1) * draws.random())


def _opening(block: DrillBlock) -> tuple[LeadIn, Situation, Window]:
    if block.opening is None:
        return block.lead_in, block.situation, block.window
    return block.opening, block.opening_situation or block.situation, block.opening_window or block.window


def _lead_in_s(lead_in: LeadIn, draws: Random) -> float:
    if lead_in.kind == "none":
        return 0.0
    return lead_in.length_s * draw_between(draws, 1.0 - lead_in.spread, 1.0 + lead_in.spread)


def _interval_s(block: DrillBlock, draws: Random, sounded: int, passed_s: float) -> float:
    rhythm = block.rhythm
    if rhythm.interval_s is None:
        raise ValueError(f"block {block.name!r} has rallies of several contacts and no interval")
    share = sounded / block.reps if block.reps else passed_s / (block.work_s or 1.0)
    cv = rhythm.jitter_cv + (rhythm.jitter_end_cv - rhythm.jitter_cv) * min(share, 1.0)
    return draw_interval_s(draws, rhythm.interval_s, cv, least_interval_s(block))


def _calls_for(calls: Calls | None, draws: Random, moments: list[_Moment]) -> list[_Call]:
    """Call of every moment; none where no contact sounds."""
    if calls is None:
        return [_Call()] * len(moments)
    called = [not moment.withheld and draws.random() < calls.share for moment in moments]
    order = iter(draw_calls(draws, calls.weights, sum(called), calls.longest_run))
    return [_call(calls, calls.words[next(order)], draws) if wanted else _Call() for wanted in called]


def _call(calls: Calls, word: str, draws: Random) -> _Call:
    """One call, or two where the first is taken back; the last one is the one that counts."""
    delay_s = draw_between(draws, calls.delay_low_s, calls.delay_high_s)
    if len(calls.words) > 1 and draws.random() < calls.switch_share:
        others = [other for other in calls.words if other != word]
        first = others[draw_index(draws, [1.0] * len(others))]
        switched_s = delay_s + calls.switch_after_s
        return _Call(word, (_call_cue(calls, first, delay_s), _call_cue(calls, word, switched_s)))
    return _Call(word, (_call_cue(calls, word, delay_s),))


def _call_cue(calls: Calls, word: str, at_s: float) -> Cue:
    sound, recognised_s = (f"tone_{word}", 0.0) if calls.tones else (word, _recognised_s(calls, word))
    if calls.known:
        at_s = max(0.0, at_s - recognised_s)  # no call before its contact: it would be heard for it
    pan = CALL_PAN.get(word, 0.0) if calls.pan or calls.tones else 0.0
    return Cue("call", sound, at_s, pan=pan, known_s=recognised_s)


def _recognised_s(calls: Calls, word: str) -> float:
    known = dict(zip(calls.words, calls.recognised_s, strict=False))
    return known.get(word, TYPICAL_RECOGNITION_S)


def _hitters_for(block: DrillBlock, draws: Random, count: int) -> list[Hitter]:
    """Whose each contact is: one after the other, or anybody's every time."""
    if block.hitters_in_turn:
        return list(islice(cycle(block.hitters), count))
    return [block.hitters[draw_index(draws, [1.0] * len(block.hitters))] for _ in range(count)]


def _rep(block: DrillBlock, index: int, moment: _Moment, call: _Call, hitter: Hitter) -> Rep:
    contact_at_s = moment.contact_s - moment.start_s
    cues = [Cue("precue", word, at_s - moment.start_s) for at_s, word in moment.words]
    if not moment.silent:
        cues += _lead_in_cues(moment.lead_in, moment.lead_in_s, contact_at_s, hitter.pan)
    if not moment.withheld:
        cues.append(Cue("contact", hitter.sound, contact_at_s, pan=hitter.pan))
        cues += [
            Cue(cue.role, cue.sound, contact_at_s + cue.at_s, pan=cue.pan, known_s=cue.known_s) for cue in call.cues
        ]
    return Rep(
        index=index,
        start_s=moment.start_s,
        end_s=moment.contact_s + room_after_s(block),
        contact_s=moment.contact_s,
        cues=tuple(cues),
        call=call.word,
        window=moment.window,
        mode=block.mode,
        withheld=moment.withheld,
        warm_up=block.warm_up,
        level=block.level if has_level(block) else None,
        ladder=ladder_for(block, moment.situation),
    )


def _lead_in_cues(lead_in: LeadIn, length_s: float, contact_s: float, pan: float) -> list[Cue]:
    """Sounds before a contact; a spread lead-in stretches as a whole, so its bounce moves along."""
    start_s = contact_s - length_s
    match lead_in.kind:
        case "none":
            return []
        case "swing":
            return [Cue("precue", "swing", contact_s, length_s=length_s, pan=pan)]
        case "count":
            return [Cue("precue", "tick", start_s + tick * length_s / lead_in.ticks) for tick in range(lead_in.ticks)]
        case "rally":
            cues = [Cue("precue", "racket", start_s)]
            if lead_in.bounce_s is not None:
                bounce_s = lead_in.bounce_s * length_s / lead_in.length_s
                cues.append(Cue("precue", "bounce", contact_s - bounce_s, pan=pan))
            return cues
        case kind:
            return [Cue("precue", kind, start_s, pan=pan)]


def _with_finish(rep: Rep, lines: tuple[str, ...]) -> Rep:
    """Add the block's last words after the last landing has been heard."""
    for line in lines:
        cue = Cue("feedback", line, rep.end_s - rep.start_s)
        rep = replace(rep, end_s=rep.end_s + line_s(line), cues=(*rep.cues, cue))
    return rep
