"""A drill in plain language, for a coach who has never seen its file."""

from __future__ import annotations

import math

from drilltimer.model import FASTEST_ANSWER_MS, Calls, Drill, DrillBlock, LeadIn, Rhythm, Wait
from drilltimer.units import count_of

LEAST_TOLD = 0.005  # of waits that end without a contact


def describe(drill: Drill) -> list[str]:
    """Sentences about the drill, block by block."""
    lines = []
    for number, block in enumerate(drill.blocks, start=1):
        if len(drill.blocks) > 1:
            lines.append(f"Block {number}: {block.name}")
        indent = "  " if len(drill.blocks) > 1 else ""
        lines += [indent + sentence for sentence in describe_block(block)]
    rule = drill.progression
    if rule is not None:
        lines.append(
            f"Levels move inside the session: {rule.up_share:.0%} or more of the last {rule.reps} in the window make "
            f"it narrower, less than {rule.down_share:.0%} wider."
        )
    if drill.primary != "constant_error_ms":
        lines.append(f"Comparing sessions is about one figure before all others: {drill.primary}.")
    return lines


def describe_block(block: DrillBlock) -> list[str]:
    """Sentences about one block."""
    work = count_of(block.reps, "contact") if block.reps is not None else f"{block.work_s or 0.0:g} s of work"
    window = f"{block.window.open_ms:.0f} to {block.window.close_ms:.0f} ms after the contact"
    window += f", at best {block.window.centre_ms:.0f}"
    kind = "reaction training, scored apart from timing" if block.mode == "reactive" else f"{block.level} level"
    lines = [f"{work}. Land {window} ({kind}).", _announced(block)]
    lines.append(_rhythm(block.rhythm))
    if len(block.hitters) > 1:
        order = "in turn" if block.hitters_in_turn else "any of them, by chance"
        lines.append(f"{len(block.hitters)} hitters, each with a sound or side of their own: {order}.")
    if block.calls:
        lines += _calls(block.calls)
    if block.withheld_share:
        lines.append(
            f"{block.withheld_share:.0%} of the lead-ins bring no contact: stay, or hop without a step; a step is a "
            "guess."
        )
    if block.rhythm.wait and (empty := no_contact_share(block.rhythm.wait)) >= LEAST_TOLD:
        lines.append(f"{empty:.0%} of the waits, by chance, end without a contact: stay.")
    for moment, words in (
        ("before it", block.speech.explain),
        ("in its rests", block.speech.reminders),
        ("after it", block.speech.finish),
    ):
        if words:
            lines.append(f"Spoken {moment}: {', '.join(words)}.")
    if block.rest_s:
        lines.append(f"Then {block.rest_s:g} s of rest.")
    return lines


def no_contact_share(wait: Wait) -> float:
    """Share of the waits that last longer than they may: the rest of an exponential."""
    return math.exp(-(wait.max_s - wait.min_s) / wait.mean_extra_s) if wait.mean_extra_s else 0.0


def _announced(block: DrillBlock) -> str:
    if block.lead_in.kind == "none":
        return "Nothing announces the contact."
    text = f"Each contact is announced by {_lead_in(block.lead_in)}"
    if block.opening:
        return f"{text}, the first of a rally by {_lead_in(block.opening)}."
    return f"{text}."


def _lead_in(lead_in: LeadIn) -> str:
    match lead_in.kind:
        case "swing":
            text = f"a swing of {lead_in.length_s:g} s that ends at the contact"
        case "toss":
            text = f"a toss {lead_in.length_s:g} s before it"
        case "bounce":
            text = f"a bounce {lead_in.length_s:g} s before it"
        case "count":
            text = f"{count_of(lead_in.ticks, 'tick')} over {lead_in.length_s:g} s"
        case _:
            text = f"the player's own contact {lead_in.length_s:g} s before it"
            if lead_in.bounce_s is not None:
                text += f" and a bounce {lead_in.bounce_s:g} s before it"
    return f"{text}, give or take {lead_in.spread:.0%}" if lead_in.spread else text


def _rhythm(rhythm: Rhythm) -> str:
    parts = []
    if rhythm.interval_s is not None and any(length.high > 1 for length in rhythm.rally or ()):
        lengths = sorted({length.low for length in rhythm.rally} | {length.high for length in rhythm.rally})
        span = f"{lengths[0]} to {lengths[-1]}" if len(lengths) > 1 else f"{lengths[0]}"
        parts.append(f"rallies of {span} contacts, {_interval(rhythm)}")
    elif rhythm.interval_s is not None and not rhythm.rally:
        parts.append(f"one after the other, {_interval(rhythm)}")
    else:
        parts.append("contacts one by one")
    if rhythm.wait:
        wait = rhythm.wait
        parts.append(f"each after a wait of {wait.min_s:g} to {wait.max_s:g} s that cannot be counted out")
    if rhythm.rest_s or rhythm.rest_per_work:
        rest = f"{rhythm.rest_s:g} s" if rhythm.rest_s else ""
        times = f"{rhythm.rest_per_work:g} times the work" if rhythm.rest_per_work else ""
        parts.append("then a rest of " + " or ".join(part for part in (rest, times) if part))
    text = "; ".join(parts)
    return text[0].upper() + text[1:] + "."


def _interval(rhythm: Rhythm) -> str:
    """Pace of a rally. An uneven one tells both ends when they differ."""
    text = f"{rhythm.interval_s:g} s apart"
    start, end = rhythm.jitter_cv, rhythm.jitter_end_cv
    if not start and not end:
        return f"{text}, steady"
    return f"{text}, uneven by {start:.0%}" + (f", growing to {end:.0%}" if end != start else "")


def _calls(calls: Calls) -> list[str]:
    words = ", ".join(calls.words)
    shares = {weight / sum(calls.weights) for weight in calls.weights}
    weighted = "" if len(shares) == 1 else " (not equally often)"
    kind = "Tones from the sides call" if calls.tones else "Called"
    delay = f"{calls.delay_low_s:g} to {calls.delay_high_s:g} s after the contact"
    if calls.known:
        delay = f"so that the direction is known {delay}"
    guess = f"A step sooner than {FASTEST_ANSWER_MS:.0f} ms after it is known is a guess."
    lines = [f"{kind}: {words}{weighted}, {delay}. {guess}"]
    if calls.share < 1.0:
        lines.append(f"{1.0 - calls.share:.0%} of the contacts bring no call.")
    if calls.switch_share:
        after = f"{calls.switch_after_s:g} s later"
        lines.append(f"{calls.switch_share:.0%} of the calls are taken back by another {after}.")
    return lines
