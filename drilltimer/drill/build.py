"""A checked form becomes a `Drill`: defaults filled in from the top, and the checks that span several keys."""

from __future__ import annotations

import math
from typing import Any

from drilltimer.drill.form import (
    MAX_REPS,
    BlockForm,
    CallsForm,
    DrillForm,
    LeadInForm,
    NamedBlockForm,
    RhythmForm,
    SpeechForm,
    rally_bounds,
)
from drilltimer.drill.schedule import least_interval_s, room_after_s
from drilltimer.drill.windows import REACTIVE_WINDOW, window_for
from drilltimer.model import (
    Calls,
    Drill,
    DrillBlock,
    FeedbackPlan,
    Hitter,
    LeadIn,
    Mode,
    RallyLength,
    Rhythm,
    Speech,
    Wait,
    Window,
)

MAX_LENGTH_S = 3 * 3600.0

Faults = list[tuple[tuple[str | int, ...], str]]


def build_drill(form: DrillForm) -> tuple[Drill | None, Faults]:
    """Drill of a form, and what is wrong with it: (path of the key, message). No drill when anything is."""
    faults: Faults = []
    blocks: list[DrillBlock] = []
    for index, block_form in enumerate(form.blocks or [NamedBlockForm(name=form.name)]):
        settings = _Settings(form, block_form, index if form.blocks else None)
        block = _build_block(settings, form.name, faults)
        if block is not None:
            blocks.append(block)
    _check_whole(blocks, faults)
    if faults:
        return None, faults
    return Drill(form.name, form.description.strip(), tuple(blocks)), []


class _Settings:
    """One block's keys with the top of the file behind them; knows where a value was written."""

    def __init__(self, top: DrillForm, block: NamedBlockForm, index: int | None) -> None:
        self.top, self.block, self.index = top, block, index

    def get(self, key: str) -> Any:
        return getattr(self._holder(key), key)

    def path(self, *keys: str) -> tuple[str | int, ...]:
        own = self.index is not None and keys[0] in self.block.model_fields_set
        prefix: tuple[str | int, ...] = ("blocks", self.index) if own and self.index is not None else ()
        return (*prefix, *keys)

    def _holder(self, key: str) -> BlockForm:
        return self.block if key in self.block.model_fields_set else self.top


def _build_block(settings: _Settings, drill_name: str, faults: Faults) -> DrillBlock | None:
    before = len(faults)
    reps, work_s = settings.get("reps"), settings.get("work_s")
    if settings.block.reps is not None and "work_s" not in settings.block.model_fields_set:
        work_s = None  # a block's own reps take the place of the time given at the top, and the other way round
    if settings.block.work_s is not None and "reps" not in settings.block.model_fields_set:
        reps = None
    if (reps is None) == (work_s is None):
        faults.append((settings.path("reps"), "give reps (contacts) or work_s (seconds), one of the two"))
    if settings.get("rhythm") is None:
        faults.append((settings.path("rhythm"), "this key is required: when do contacts come?"))
        return None
    lead_in = _lead_in(settings.get("lead_in"))
    mode = _mode(settings, lead_in, faults)
    window_form, level, situation = settings.get("window"), settings.get("level"), settings.get("situation")
    opening = settings.get("opening")
    opening_situation = opening.situation or situation if opening else None
    hitters, feedback = settings.get("hitters"), settings.get("feedback")
    block = DrillBlock(
        name=settings.block.name or drill_name,
        mode=mode,
        level=level,
        situation=situation,
        window=_window(settings, mode),
        window_fixed=window_form is not None,
        lead_in=lead_in,
        rhythm=_rhythm(settings.get("rhythm")),
        calls=_calls(settings.get("calls")),
        opening=_lead_in(opening) if opening else None,
        opening_situation=opening_situation,
        opening_window=window_for(level, opening_situation) if opening_situation and not window_form else None,
        hitters=tuple(Hitter(hitter.sound, hitter.pan) for hitter in hitters) if hitters else (Hitter(),),
        reps=reps,
        work_s=work_s,
        rest_s=settings.get("rest_s"),
        withheld_share=settings.get("withheld_share"),
        feedback=FeedbackPlan(**feedback.model_dump()) if feedback else None,
        speech=_speech(settings.get("speech")),
    )
    _check_timing(settings, block, faults)
    _check_words(settings, block, faults)
    return block if len(faults) == before else None


def _mode(settings: _Settings, lead_in: LeadIn, faults: Faults) -> Mode:
    asked: Mode | None = settings.get("mode")
    if lead_in.kind != "none":
        if asked == "reactive":
            message = "a lead-in announces the contact, so landing on it is predictive: leave out mode or lead_in"
            faults.append((settings.path("mode"), message))
        return "predictive"
    rhythm: RhythmForm = settings.get("rhythm")
    steady = rhythm.interval_s is not None and not rhythm.jitter_cv and not rhythm.jitter_end_cv and not rhythm.wait
    if asked == "predictive" and not steady:
        faults.append((settings.path("mode"), "nobody can predict a contact without a lead_in or a steady rhythm"))
    return asked or "reactive"


def _window(settings: _Settings, mode: Mode) -> Window:
    form = settings.get("window")
    if form is not None:
        centre_ms = form.centre_ms if form.centre_ms is not None else (form.open_ms + form.close_ms) / 2.0
        return Window(form.open_ms, centre_ms, form.close_ms)
    if mode == "reactive":
        return REACTIVE_WINDOW
    return window_for(settings.get("level"), settings.get("situation"))


def _lead_in(form: LeadInForm | None) -> LeadIn:
    if form is None:
        return LeadIn()
    return LeadIn(form.kind, form.length_s, form.spread, form.bounce_s, form.ticks)


def _rhythm(form: RhythmForm) -> Rhythm:
    rally = form.rally
    lengths: tuple[RallyLength, ...]
    if rally is None:
        # a wait with no interval is a string of single contacts, an interval with no rally one long rally
        lengths = (RallyLength(1, 1),) if form.interval_s is None else ()
    elif isinstance(rally, int):
        lengths = (RallyLength(rally, rally),)
    else:
        lengths = tuple(RallyLength(*rally_bounds(text), weight) for text, weight in rally.items())
    wait = Wait(form.wait.min_s, form.wait.mean_extra_s, form.wait.max_s, form.wait.word) if form.wait else None
    end_cv = form.jitter_cv if form.jitter_end_cv is None else form.jitter_end_cv
    return Rhythm(form.interval_s, form.jitter_cv, end_cv, lengths, wait, form.rest_s, form.rest_per_work)


def _calls(form: CallsForm | None) -> Calls | None:
    if form is None:
        return None
    low_s, high_s = form.delay_s if isinstance(form.delay_s, list) else (form.delay_s, form.delay_s)
    weights = tuple(form.words.values()) if isinstance(form.words, dict) else (1.0,) * len(form.words)
    return Calls(
        words=tuple(form.words),
        weights=weights,
        delay_low_s=low_s,
        delay_high_s=high_s,
        longest_run=form.longest_run,
        share=form.share,
        switch_share=form.switch_share,
        switch_after_s=form.switch_after_s,
        pan=form.pan,
    )


def _speech(form: SpeechForm | None) -> Speech:
    return Speech(tuple(form.explain), tuple(form.reminders), tuple(form.finish)) if form else Speech()


def _check_timing(settings: _Settings, block: DrillBlock, faults: Faults) -> None:
    """Check that every landing can be heard before the next lead-in, however the draws fall."""
    rhythm = block.rhythm
    path = settings.path("rhythm", "interval_s")
    if rhythm.interval_s is None:
        if any(length.high > 1 for length in rhythm.rally):
            faults.append((path, "rallies of several contacts need the time between them"))
        elif not rhythm.wait and not rhythm.rest_s:
            faults.append((path, "give the time between contacts (interval_s), or a wait before each"))
        return
    least_s = least_interval_s(block)
    if rhythm.interval_s < least_s:
        parts = f"{room_after_s(block):g} s to hear the landing and the call"
        lead = f" and {block.lead_in.longest_s:g} s of lead-in" if block.lead_in.kind != "none" else ""
        faults.append((path, f"at least {least_s:g} s: {parts}{lead}, got {rhythm.interval_s:g}"))
        return
    for key, cv in (("jitter_cv", rhythm.jitter_cv), ("jitter_end_cv", rhythm.jitter_end_cv)):
        most_cv = (rhythm.interval_s - least_s) / rhythm.interval_s
        if cv > most_cv:
            message = f"at most {math.floor(most_cv * 1e3) / 1e3:g}: an interval below {least_s:g} s cannot be heard"
            faults.append((settings.path("rhythm", key), message))
            return


def _check_words(settings: _Settings, block: DrillBlock, faults: Faults) -> None:
    """No spoken "late" where "right" is a call: recognisers and people take the one for the other."""
    if block.calls and "right" in block.calls.words:
        for key in ("explain", "reminders", "finish"):
            if "late" in getattr(block.speech, key):
                faults.append((settings.path("speech", key), '"late" is misheard as "right", which is a call here'))


def _check_whole(blocks: list[DrillBlock], faults: Faults) -> None:
    reps = sum(block.reps or 0 for block in blocks)
    if reps > MAX_REPS:
        faults.append((("blocks",), f"{reps} contacts in all, more than {MAX_REPS}"))
    length_s = sum(longest_length_s(block) for block in blocks)
    if not faults and length_s > MAX_LENGTH_S:
        faults.append(((), f"lasts about {length_s / 3600:.1f} h, more than {MAX_LENGTH_S / 3600:.0f} h"))


def longest_length_s(block: DrillBlock) -> float:
    """Time that a block can be expected to need at most, on average over its draws."""
    rhythm = block.rhythm
    if block.work_s is not None:
        return block.work_s + block.rest_s
    wait_s = rhythm.wait.max_s if rhythm.wait else 0.0
    opening = block.opening or block.lead_in
    per_rally_s = wait_s + opening.longest_s + room_after_s(block) + rhythm.rest_s
    per_contact_s = max(rhythm.interval_s or 0.0, per_rally_s) * (1.0 + rhythm.rest_per_work)
    return (block.reps or 0) / (1.0 - block.withheld_share) * per_contact_s + block.rest_s
