"""What is announced stays true, whatever keys a coach presses, and whenever."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_conduct import RATE_HZ, Run, make, session_frame

from drilltimer.errors import notice
from drilltimer.group import announce
from drilltimer.group.events import Begun, CoachNotice, Say
from drilltimer.session import Silence
from drilltimer.ui.lines import BY_KEY

COUNTDOWN = ("three", "two", "one", "go")
ROOM_S = 0.7  # "go" and a pause

MOVING = """\
name: Moving
players: 3
warm_up:
  - {movement: Side shuffle, work_s: 40}
  - {movement: crab walk, work_s: 35, rest_s: 12}
  - {movement: high knees, work_s: 25, rest_s: 12}
  - {drill: quick, work_s: 20, rest_s: 12}
stations:
  - {drill: quick, microphone: 1}
  - {exercise: shuffle}
work_s: 24
change_s: 12
round_rest_s: 15
rounds: 2
"""


# Recorded words as names: nobody is called by a number, which a countdown holds, too.
NAMED = """\
name: Named
players: [red, green, blue, yellow, deep, short]
stations:
  - {drill: quick, microphone: 1}
  - {drill: quick, microphone: 2}
  - {exercise: shuffle}
work_s: 24
change_s: 12
round_rest_s: 15
rounds: 2
"""
NAMES = ("red", "green", "blue", "yellow", "deep", "short")


@dataclass(frozen=True)
class Word:
    at_s: float
    text: str
    whole: bool  # not cut


@dataclass(frozen=True)
class Work:
    """A stretch of work between two cuts: when it began, when it ended if it was not cut, of which stage."""

    start_s: float
    end_s: float | None
    stage: tuple
    kind: str
    whole_s: float


class Coached(Run):
    """A run that also keeps what was worked, and when keys were pressed."""

    def __init__(self, session):
        super().__init__(session)
        self.works, self.keys, self._running = [], [], None

    def seconds(self, frame):
        return round((frame - self.session.zero) / RATE_HZ, 4)

    def until(self, time_s):
        while self.frame < session_frame(self.session, time_s) and not self.over:
            super().until(self.seconds(self.frame) + 0.05)
            self._watch()
        return self

    def _watch(self):
        """Keep the stretch of work that was replaced by another one."""
        now, running = self.frame, None if self.session.paused else self.session.running
        before = self._running
        if before is not None and before is not running and now > before.start:
            done = now >= before.end
            stage = before.source
            self.works.append(
                Work(
                    self.seconds(before.start),
                    self.seconds(before.end) if done else None,
                    (stage.kind, stage.name, stage.round, stage.place),
                    stage.kind,
                    before.whole_s,
                )
            )
        self._running = running

    def press(self, key):
        self.keys.append((self.seconds(self.frame), key))
        match key:
            case "pause":
                self.session.pause(BY_KEY)
            case "resume":
                self.session.resume()
            case "skip":
                self.session.skip()
            case "repeat":
                self.session.repeat()
            case "extend":
                self.session.extend()
            case int(player):
                self.session.move(player)
        self.keep(self.session.take_events())
        self._watch()
        return self

    def said(self):
        words = []
        for at, event in self.events:
            if isinstance(event, Silence):
                words = [[say, end if end <= at else min(end, at)] for say, end in words if say.start < at]
            elif isinstance(event, Say):
                words.append([event, event.end])
        return [
            Word(self.seconds(say.start + say.sound.anchor), say.cue.sound, end == say.end)
            for say, end in sorted(words, key=lambda each: each[0].start)
            if end > say.start + say.sound.anchor  # or it was cut before it could be heard
        ]

    def times(self, text):
        return [word.at_s for word in self.said() if word.text == text]


def near(times_s, at_s, within_s=0.002):
    return any(abs(each - at_s) <= within_s for each in times_s)


def check_all(run):
    """Everything that must hold of what was said, whatever was pressed."""
    words, ends = run.said(), [work.end_s for work in run.works if work.end_s is not None]
    # Ten seconds: true unless a key came after it began; told wherever there was room for it.
    for at_s in run.times("ten seconds"):
        pressed = [key_s for key_s, _ in run.keys if at_s - 0.3 < key_s <= at_s + 10.0]
        assert near(ends, at_s + 10.0) or pressed, (at_s, run.keys)
    for work in run.works:
        if work.kind == "movement" and work.whole_s > 30.0 and work.end_s and work.end_s - work.start_s > 10.0 + ROOM_S:
            assert near(run.times("ten seconds"), work.end_s - 10.0), (work, run.keys)
    # A whole countdown before every stretch of work, and nowhere else.
    for work in run.works:
        for before_s, text in zip((3.0, 2.0, 1.0, 0.0), COUNTDOWN, strict=True):
            assert near(run.times(text), work.start_s - before_s), (work, text, run.keys)
    for at_s in run.times("go"):
        assert near([work.start_s for work in run.works], at_s), (at_s, run.keys)
    # Nobody is sent away twice from one place; once said, "half way" and "last round" are not said again.
    changes = [word.at_s for word in words if word.text in ("change", "rest") and word.whole]
    works = [work for work in run.works if work.kind != "stations"]  # there, turns change too
    for former, latter in pairwise(works):
        between = [at_s for at_s in changes if former.start_s < at_s <= latter.start_s]
        if former.stage == latter.stage:
            assert not between, (former, latter, run.keys)
    for text in (announce.HALF_WAY, announce.LAST_ROUND):
        assert sum(word.whole for word in words if word.text == text) <= 1, run.keys
    # No two words at once.
    spoken = sorted((say.start, say.end) for say in kept_says(run))
    for (_, end), (start, _) in pairwise(spoken):
        assert start >= end - RATE_HZ * 0.02, (run.seconds(start), run.keys)


def check_names(run):
    """Nobody is called, and no call goes on, who is out."""
    away, moves = set(), [(at_s, key) for at_s, key in run.keys if isinstance(key, int)]
    spans = {name: [] for name in NAMES}  # from when to when each was out
    for at_s, player in moves:
        name = NAMES[player]
        if name in away:
            spans[name][-1] = (spans[name][-1][0], at_s)
        else:
            spans[name].append((at_s, float("inf")))
        away ^= {name}
    for say in kept_says(run):
        for out_s, in_s in spans.get(say.cue.sound, ()):
            begins_s, ends_s = (run.seconds(frame) for frame in (say.start, say.end))
            assert ends_s <= out_s or begins_s >= in_s, (say.cue.sound, begins_s, run.keys)


def kept_says(run):
    says = []
    for at, event in run.events:
        if isinstance(event, Silence):
            says = [say for say in says if say.end <= at]
        elif isinstance(event, Say):
            says.append(event)
    return says


def press_all(run, keys):
    """Press each key after its wait, go on after every pause, and run to the end."""
    for wait_s, key in keys:
        run.until(run.seconds(run.frame) + wait_s)
        run.press(key)
        if key == "pause":
            run.until(run.seconds(run.frame) + wait_s / 3.0).press("resume")
    run.until(2000)
    assert run.over


KEYS = st.lists(
    st.tuples(st.floats(0.1, 45.0), st.sampled_from(["pause", "skip", "repeat", "extend", "extend"])),
    min_size=1,
    max_size=7,
)


@pytest.mark.long
@settings(max_examples=30)
@given(KEYS)
def test_what_is_announced_is_true_after_any_keys(keys):
    run = Coached(make(MOVING))
    press_all(run, keys)
    check_all(run)


NAMED_KEYS = st.lists(
    st.tuples(
        st.floats(0.05, 20.0), st.one_of(st.integers(0, 5), st.sampled_from(["pause", "skip", "repeat", "extend"]))
    ),
    min_size=1,
    max_size=12,
)


@pytest.mark.long
@settings(max_examples=40)
@given(NAMED_KEYS)
def test_nobody_is_called_who_is_out_whatever_the_keys(keys):
    run = Coached(make(NAMED))
    press_all(run, keys)
    check_names(run)
    check_all(run)


# NAMED, undisturbed: red and blue are called before work at 8 s, green and yellow in the pause at 18 s.


@pytest.mark.parametrize("at_s", [10.0, 17.5, 18.2, 18.6, 18.7, 18.9, 19.0, 19.1, 19.2, 19.6])
def test_who_is_taken_out_before_or_in_a_call_is_not_called(at_s):
    whole = Coached(make(NAMED)).until(40.0)
    turn = [(word.at_s, word.text) for word in whole.said() if 17.9 < word.at_s < 22.0]
    assert [text for _, text in turn] == ["change", "green", "yellow"]
    run = Coached(make(NAMED)).until(at_s).press(1).until(40.0)
    said = [(word.at_s, word.text) for word in run.said() if 17.9 < word.at_s < 22.0 and word.whole]
    called = ["green"] * (at_s > 19.05)  # it was over
    assert said == [each for each in turn if each[1] in ("change", "yellow", *called)]  # each at the same moment
    contacts = [play.start for play in run.contacts() if run.seconds(play.start) < 40.0]
    assert contacts == [play.start for play in whole.contacts() if whole.seconds(play.start) < 40.0]


def test_who_is_taken_out_during_the_countdown_leaves_it_whole():
    whole = Coached(make(NAMED)).until(20.0)
    red_s = whole.times("red")[0]
    for at_s in (red_s - 0.1, red_s, red_s + 0.1, red_s + 0.4, 5.0, 6.9):
        run = Coached(make(NAMED)).until(at_s).press(0).until(20.0)
        assert [run.times(word)[0] for word in COUNTDOWN] == [5.0, 6.0, 7.0, 8.0]
        assert run.times("blue") == whole.times("blue")
        check_names(run)


def from_start_to_end(*presses, text=MOVING):
    """A run in which keys are pressed at given seconds."""
    run = Coached(make(text))
    for at_s, key in presses:
        run.until(at_s).press(key)
    run.until(2000)
    assert run.over
    check_all(run)
    return run


# MOVING, undisturbed: 8-48 side shuffle, 60-95 crab walk, 107-132 high knees, 144-164 together;
# stations 179-203, 215-239, (rest) 254-278, 290-314; free at 317.


def test_work_that_was_lengthened_goes_on_after_a_pause_one_contact_at_a_time():
    run = Coached(make(MOVING)).until(150).press("extend").until(155).press("pause").until(160).press("resume")
    contacts_s = sorted(rep.contact_s for rep in run.session.running.reps.values())
    assert len(contacts_s) >= 10
    assert min(later - former for former, later in pairwise(contacts_s)) >= 1.5
    assert contacts_s[-1] == pytest.approx(run.seconds(run.session.running.end), abs=3.0)


def test_undisturbed_everything_is_told_once():
    run = from_start_to_end()
    assert run.times("ten seconds") == [38.0, 85.0]  # the third movement is short
    assert run.times("go") == [8.0, 60.0, 107.0, 144.0, 179.0, 215.0, 254.0, 290.0]
    assert len(run.times("half way")) == len(run.times("last round")) == 1
    assert 164 < run.times("half way")[0] < 179
    assert 239 < run.times("last round")[0] < 254
    assert run.times("change") == [48.0, 95.0, 132.0, *(each for each in run.times("change") if each > 132.0)]
    assert run.times("finished") == [314.0]


@pytest.mark.parametrize(
    ("at_s", "told_s"),
    [
        (20.0, [53.0]),  # not handed out yet
        (37.0, [53.0]),  # handed out, not begun
        (38.3, [38.0, 53.0]),  # in the middle of the word, which is cut
        (42.0, [38.0, 53.0]),  # said
    ],
)
def test_ten_seconds_are_told_at_the_new_end(at_s, told_s):
    run = from_start_to_end((at_s, "extend"))
    assert [each for each in run.times("ten seconds") if each < 60.0] == told_s
    assert run.times("change")[0] == 63.0
    if at_s == 38.3:
        assert [word.whole for word in run.said() if word.text == "ten seconds"][:2] == [False, True]


def test_a_short_movement_made_long_tells_its_last_seconds_too():
    run = from_start_to_end((110.0, "extend"))
    assert near(run.times("ten seconds"), 137.0)
    assert run.times("change")[2] == 147.0


def test_a_pause_moves_the_last_ten_seconds():
    run = from_start_to_end((25.0, "pause"), (125.0, "resume"))
    assert run.times("ten seconds")[0] == pytest.approx(130.0 + 23.0 - 10.0, abs=0.11)  # 23 s were left
    late = from_start_to_end((40.0, "pause"), (60.0, "resume"))
    assert [each for each in late.times("ten seconds") if each < 75.0] == [38.0]  # 8 s were left: nothing to tell


def test_who_goes_on_is_not_sent_away():
    """Pause, or repeat, in the middle of a stage: nobody is to change, or to do the next exercise."""
    for presses in (((70.0, "pause"), (80.0, "resume")), ((70.0, "repeat"),)):
        run = from_start_to_end(*presses)
        came = presses[-1][0]
        after = [word.text for word in run.said() if came < word.at_s < came + 9.0]
        assert after[0] == "get ready"
        assert not {"change", "rest", "next exercise"} & set(after)
    named = from_start_to_end((20.0, "repeat"))
    assert [word.text for word in named.said() if 20.0 < word.at_s < 25.0][:2] == ["get ready", "side shuffle"]


@pytest.mark.long
def test_what_a_key_cut_is_said_after_all():
    run = from_start_to_end((48.2, "pause"), (60.0, "resume"))  # in the middle of "change"
    assert [word.whole for word in run.said() if word.text == "change"][:2] == [False, True]
    assert near(run.times("next exercise"), 61.0, within_s=1.5)
    # the next stage, its words laid out already, waits again: what is said once a session is not lost
    for at_s in (161.5, 163.9):
        for keys in (((at_s, "repeat"),), ((at_s, "pause"), (at_s + 9.0, "resume")), ((at_s, "skip"),)):
            kept = from_start_to_end(*keys)
            assert len(kept.times("half way")) == 1
    for at_s in (236.5, 238.9, 239.2):
        assert sum(word.whole for word in from_start_to_end((at_s, "skip")).said() if word.text == "last round") == 1


def test_repeat_in_the_last_seconds_repeats_what_runs_and_not_what_comes():
    run = from_start_to_end((46.0, "repeat"))
    assert [work.stage[1] for work in run.works][:3] == ["Side shuffle", "Side shuffle", "crab walk"]
    begun = [event.stage.name for event in run.of(Begun)]
    assert begun[:3] == ["Side shuffle", "Side shuffle", "crab walk"]


def test_half_way_is_half_of_the_session_and_not_of_the_clock():
    """Ten minutes of pause at the beginning do not bring half-time forward."""
    run = from_start_to_end((20.0, "pause"), (620.0, "resume"))
    half = run.times("half way")
    assert len(half) == 1
    assert 164 + 605 - 1 < half[0] < 179 + 605 + 1


@pytest.mark.parametrize(("gone_share", "said"), [(0.49, False), (0.5, True), (0.69, True), (0.71, False)])
def test_half_way_is_said_where_it_is_true(gone_share, said):
    stage = make(MOVING).ahead[2]
    assert ("half way" in announce.opening_words(stage, False, gone_share, (), {})) is said
    assert "half way" not in announce.opening_words(stage, False, gone_share, ("half way",), {})


def test_the_player_whose_turn_it_is_is_called_after_a_pause():
    """Turns of 10 s: 179-189 the first player of the squad at the microphone, 193-203 the second."""
    for at_s in (191.0, 196.0):  # between the two, and in the second one
        run = from_start_to_end((at_s, "pause"), (at_s + 10.0, "resume"))
        called = [word.text for word in run.said() if at_s + 10.0 < word.at_s < at_s + 12.0]
        assert "two" in called
        assert "one" not in called


def test_two_skips_at_once_leave_two_stages():
    run = Coached(make(MOVING)).until(20.0).press("skip").press("skip").until(50.0)
    assert [event.stage.name for event in run.of(Begun)] == ["Side shuffle", "high knees"]


def test_a_pause_right_after_a_skip_does_not_start_in_the_past():
    run = from_start_to_end((20.0, "skip"), (20.0, "pause"), (80.0, "resume"))
    assert run.works[1].start_s == pytest.approx(92.0, abs=0.5)


def test_keys_in_a_pause_are_answered_and_a_pause_beyond_the_booking_ends_it():
    run = Coached(make(MOVING, time_limit_s=330.0)).until(20.0).press("pause")
    for key in ("skip", "repeat", "extend"):
        run.press(key)
    assert [event.what for event in run.of(CoachNotice)] == [notice("go_on_first")] * 3
    run.until(400.0).press("resume").until(500.0)
    assert run.over
    assert [word.text for word in run.said() if word.at_s > 400.0] == ["finished", "well done"]
    assert run.seconds(run.frame) < 405.0


def test_a_second_of_work_is_not_worth_a_countdown():
    run = from_start_to_end((46.5, "pause"), (60.0, "resume"))
    assert run.works[1].stage[1] == "crab walk"
    assert run.works[1].start_s == pytest.approx(72.0, abs=0.5)
    assert near(run.times("change"), 60.5, within_s=0.2)
    last = from_start_to_end((312.5, "pause"), (320.0, "resume"))
    assert last.times("finished") == [pytest.approx(320.5, abs=0.2)]
