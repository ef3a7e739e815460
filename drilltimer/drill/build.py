"""The form of a drill file becomes a `Drill`, its blocks' defaults filled in from the top."""

from __future__ import annotations

from typing import Any

from drilltimer.drill.check import Fault, check_block, check_whole
from drilltimer.drill.form import (
    BlockForm,
    CallsForm,
    DrillForm,
    LeadInForm,
    NamedBlockForm,
    RhythmForm,
    SpeechForm,
    rally_bounds,
)
from drilltimer.drill.windows import REACTIVE_WINDOW, window_for
from drilltimer.model import (
    Calls,
    Drill,
    DrillBlock,
    FeedbackPlan,
    Hitter,
    LeadIn,
    Mode,
    Progression,
    RallyLength,
    Rhythm,
    Speech,
    Wait,
    Window,
)

# In play a direction is known about when the feet come down: expert returners touch down 133 ms after the contact and
# begin to move sideways after 177 ms (Navia et al. 2022, J Sports Sci 40:16-23, abstract), so they have decided before
# that; from 140-160 ms on pros' choices are always right (Triolet et al. 2013, J Sports Sci 31:820-830, abstract).
KNOWN_AT_S = [0.14, 0.20]


def build_drill(form: DrillForm) -> tuple[Drill | None, list[Fault]]:
    """Drill of a form, and what is wrong between its keys. No drill when anything is."""
    faults: list[Fault] = []
    blocks: list[DrillBlock] = []
    for index, block_form in enumerate(form.blocks or [NamedBlockForm(name=form.name)]):
        settings = _Settings(form, block_form, index if form.blocks else None)
        if settings.get("rhythm") is None:
            message = "this key is required: when do contacts come?"
            faults.append(Fault(settings.path("rhythm"), message, frozenset({"rhythm"})))
            continue
        block = _build_block(settings, form.name)
        faults += check_block(block, settings.get("mode"), settings.path)
        blocks.append(block)
    progression = Progression(**form.progression.model_dump()) if form.progression else None
    faults += check_whole(blocks, complete=not faults, progression=progression)
    if faults:
        return None, faults
    return Drill(form.name, form.description.strip(), tuple(blocks), progression, form.primary), []


class _Settings:
    """One block's keys with the top of the file behind them; knows where a value was written."""

    def __init__(self, top: DrillForm, block: NamedBlockForm, index: int | None) -> None:
        self.top, self.block, self.index = top, block, index

    def get(self, key: str) -> Any:
        return getattr(self._holder(key), key)

    def path(self, *keys: str) -> tuple[str | int, ...]:
        """Where a setting is written; a setting that is written nowhere is missing from the block."""
        own = keys[0] in self.block.model_fields_set or keys[0] not in self.top.model_fields_set
        prefix: tuple[str | int, ...] = ("blocks", self.index) if own and self.index is not None else ()
        return (*prefix, *keys)

    def _holder(self, key: str) -> BlockForm:
        return self.block if key in self.block.model_fields_set else self.top


def _build_block(settings: _Settings, drill_name: str) -> DrillBlock:
    reps, work_s = settings.get("reps"), settings.get("work_s")
    # a block's own reps take the place of the time given at the top, and the other way round
    if settings.block.reps is not None and settings.block.work_s is None:
        work_s = None
    if settings.block.work_s is not None and settings.block.reps is None:
        reps = None
    lead_in = _lead_in(settings.get("lead_in"))
    mode: Mode = "predictive" if lead_in.kind != "none" else settings.get("mode") or "reactive"
    window_form, level, situation = settings.get("window"), settings.get("level"), settings.get("situation")
    opening = settings.get("opening")
    opening_situation = opening.situation or situation if opening else None
    hitters, feedback = settings.get("hitters"), settings.get("feedback")
    return DrillBlock(
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
        hitters_in_turn=settings.get("hitters_in_turn"),
        hitters=tuple(Hitter(hitter.sound, hitter.pan) for hitter in hitters) if hitters else (Hitter(),),
        reps=reps,
        work_s=work_s,
        rest_s=settings.get("rest_s"),
        warm_up=settings.get("warm_up"),
        withheld_share=settings.get("withheld_share"),
        feedback=FeedbackPlan(**feedback.model_dump()) if feedback else None,
        speech=_speech(settings.get("speech")),
    )


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
    known = form.delay_s is None
    delay_s = (form.known_at_s or KNOWN_AT_S) if form.delay_s is None else form.delay_s
    low_s, high_s = delay_s if isinstance(delay_s, list) else (delay_s, delay_s)
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
        tones=form.tones,
        known=known,
    )


def _speech(form: SpeechForm | None) -> Speech:
    return Speech(tuple(form.explain), tuple(form.reminders), tuple(form.finish)) if form else Speech()
