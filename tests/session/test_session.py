"""A session as a state machine: what it hands out when, what it answers, and where it finds room to tell the player."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from drilltimer.errors import notice
from drilltimer.hear.listen import Listener
from drilltimer.model import Block, Cue, FeedbackPlan, Grade, Heard, Landing, Onset, Placement, Rep, Sound, Window
from drilltimer.score.feedback import Feedback, feedback_sounds
from drilltimer.session import (
    AHEAD_S,
    Ended,
    Judged,
    Play,
    Session,
    expectations,
    hearing_ranges,
    place_cues,
)
from drilltimer.sim.player import SKILLS, SimulatedPlayer
from drilltimer.sim.room import SimulatedRoom
from drilltimer.sim.settings import PRESETS

RATE_HZ = 48_000
WINDOW = Window(73.0, 133.0, 193.0)
BLOCK = 960


def sound(name, length_s, anchor_s=0.0, seed=1):
    samples = 0.5 * np.random.default_rng(seed).uniform(-1, 1, round(length_s * RATE_HZ))
    return Sound(name, samples.astype(np.float32), RATE_HZ, round(anchor_s * RATE_HZ))


BANK = {
    ("smack", None): sound("smack", 0.05),
    ("swing", 0.4): sound("swing", 0.4, 0.4),
    ("left", None): sound("left", 0.3),
    **{(f"tone_{word}", None): sound(f"tone_{word}", 0.25) for word in ("early", "on_time", "late")},
}


def a_rep(index, contact_s, *, lead_in=True, withheld=False, call=None):
    start_s = contact_s - 0.5
    cues = [Cue("precue", "swing", 0.5, 0.4)] if lead_in else []
    cues += [] if withheld else [Cue("contact", "smack", 0.5)]
    cues += [Cue("call", call, 0.8)] if call else []
    return Rep(index, start_s, start_s + 2.0, contact_s, tuple(cues), call, WINDOW, withheld=withheld)


REPS = (a_rep(0, 1.0, call="left"), a_rep(1, 4.0), a_rep(2, 7.0, withheld=True), a_rep(3, 12.0))


class Script:
    """In the listener's place: answers each expectation a set time after it closes, with what the script says."""

    noise_db = -60.0

    def __init__(self, touchdowns_ms, after_s=0.1):
        self.touchdowns_ms, self.after = touchdowns_ms, round(after_s * RATE_HZ)
        self.expected, self.answered = [], 0

    def expect(self, expected):
        self.expected.append(expected)

    def feed(self, block):
        end, heard = block.start + len(block.samples), []
        while self.answered < len(self.expected) and self.expected[self.answered].closes + self.after <= end:
            heard.append(self._heard(self.expected[self.answered]))
            self.answered += 1
        return heard

    def finish(self):
        rest = self.expected[self.answered :]
        self.answered = len(self.expected)
        return [Heard(each.rep, None, False, None, "the sound ended") for each in rest]

    def _heard(self, expected):
        contact = Onset(float(expected.contact), -20.0, 0.1)
        after_ms = self.touchdowns_ms[expected.rep]
        if after_ms is None:
            return Heard(expected.rep, contact, True, None)
        return Heard(
            expected.rep, contact, True, Landing(Onset(expected.contact + after_ms * RATE_HZ / 1e3, -20.0, 0.5))
        )


def tellers(kind="each", **plan):
    plan = FeedbackPlan(kind, **plan)
    sounds = feedback_sounds(plan)
    return [Feedback(plan, sounds, dict.fromkeys(sounds.values(), 0.25))]


def run(reps=REPS, touchdowns_ms=(133.0, 300.0, None, 20.0), *, feedback=(), zero=0, seconds=20.0, block=BLOCK):
    """Feed silence; answers the session and (frame after the block, event) pairs."""
    session = Session(reps, BANK, Script(touchdowns_ms), Placement(), RATE_HZ, feedback, zero)
    events = []
    for start in range(0, round(seconds * RATE_HZ), block):
        zeros = np.zeros((block, 1), np.float32)
        events += [(start + block, event) for event in session.feed(Block(start, zeros, zeros))]
    return session, events


def of(kind, events):
    return [event for _, event in events if isinstance(event, kind)]


# ---------------------------------------------------------------- frames


@pytest.mark.parametrize("zero", [0, 24_000])
def test_sounds_are_placed_to_the_frame_by_their_anchors(zero):
    plays = place_cues(REPS[0], BANK, RATE_HZ, zero)
    at = {play.cue.sound: play.start for play in plays}
    assert at == {
        "swing": zero + 48_000 - 19_200,  # its last frame is its moment, and that is the contact's
        "smack": zero + 48_000,
        "left": zero + 0.5 * 48_000 + 0.8 * 48_000,
    }


def test_expectations_are_where_the_contacts_are_played():
    plays = {rep.index: place_cues(rep, BANK, RATE_HZ, 24_000) for rep in REPS}
    found = expectations(REPS, plays, RATE_HZ, 24_000)
    assert [each.contact for each in found] == [24_000 + round(s * RATE_HZ) for s in (1.0, 4.0, 7.0, 12.0)]
    assert [each.contact_frames for each in found] == [2400, 2400, 0, 2400]
    assert [each.withheld for each in found] == [False, False, True, False]


def test_hearing_ranges_of_near_neighbours_share_the_time_and_never_overlap():
    contacts = [(0, 48_000, 900, False), (1, 96_000, 900, False), (2, 400_000, 900, False), (3, 420_000, 900, False)]
    found = list(hearing_ranges(contacts, RATE_HZ))
    for each in found:
        assert each.opens <= each.contact < each.closes
    for first, second in pairwise(found):
        assert first.closes <= second.opens
    assert found[0].opens == 48_000 - 14_400  # 0.3 s before, where nobody is in the way
    assert found[1].closes == 96_000 + 64_800  # 1.35 s after
    assert found[2].closes == found[3].opens == 400_000 + 14_400  # each contact keeps its 0.3 s


def test_a_lone_contact_is_listened_to_from_before_to_its_first_step():
    (only,) = hearing_ranges([(7, 100_000, 900, True)], RATE_HZ)
    assert (only.rep, only.withheld, only.contact_frames) == (7, True, 900)
    assert only.opens == 100_000 - 14_400
    assert only.closes == 100_000 + 64_800


# ---------------------------------------------------------------- events


@pytest.mark.parametrize("block", [64, 960, 48_000])
def test_every_sound_is_handed_out_once_in_order_and_in_time(block):
    _, events = run(block=block)
    plays = [(now, event) for now, event in events if isinstance(event, Play)]
    assert [play.cue.sound for _, play in plays] == [
        "swing",
        "smack",
        "left",
        "swing",
        "smack",
        "swing",
        "swing",
        "smack",
    ]
    starts = [play.start for _, play in plays]
    assert starts == sorted(starts)
    for now, play in plays[3:]:  # the first are due before any block could come
        assert play.start - now == pytest.approx(AHEAD_S * RATE_HZ, abs=block)
        assert play.sound is BANK[play.cue.sound, play.cue.length_s]


def test_each_rep_is_judged_once_and_the_session_ends_after_the_last():
    session, events = run()
    judged = of(Judged, events)
    assert [each.rep.index for each in judged] == [0, 1, 2, 3]
    assert [each.verdict.grade for each in judged] == [Grade.ON_TIME, Grade.LATE, Grade.KEPT_STILL, Grade.EARLY]
    assert session.verdicts == [each.verdict for each in judged]
    assert len(of(Ended, events)) == 1
    assert isinstance(events[-1][1], Ended)
    assert events[-1][0] >= 13.5 * RATE_HZ  # not before the last rep's own end
    assert session.scores().n == 3
    assert session.scores().kept_still == 1


@pytest.mark.parametrize("zero", [0, 24_000, 100_001])
def test_the_zero_moves_everything_and_changes_nothing(zero):
    _, here = run(feedback=tellers())
    _, there = run(feedback=tellers(), zero=zero, seconds=23.0)
    assert [play.start - zero for play in of(Play, there)] == pytest.approx(
        [play.start for play in of(Play, here)], abs=BLOCK
    )
    assert [each.verdict.error_ms for each in of(Judged, there)] == [each.verdict.error_ms for each in of(Judged, here)]


# ---------------------------------------------------------------- what the player is told


def told(events):
    return [play for play in of(Play, events) if play.cue.role == "feedback"]


def test_each_timed_rep_is_told_where_there_is_room():
    _, events = run(feedback=tellers(delay_s=1.0))
    assert [(play.rep.index, play.cue.sound) for play in told(events)] == [
        (0, "tone_on_time"),
        (1, "tone_late"),
        (3, "tone_early"),
    ]


@pytest.mark.parametrize("gap_s", [2.2, 2.4, 2.7, 3.0, 4.0, 7.0])
def test_feedback_never_sounds_over_a_lead_in_nor_too_late_to_be_played(gap_s):
    reps = tuple(a_rep(index, 1.0 + gap_s * index) for index in range(5))
    _, events = run(reps, (133.0, 300.0, 20.0, 133.0, 300.0), feedback=tellers(delay_s=3.0), seconds=45.0)
    others = [
        (play.start, play.start + len(play.sound.samples)) for play in of(Play, events) if play.cue.role != "feedback"
    ]
    messages = [(now, event) for now, event in events if isinstance(event, Play) and event.cue.role == "feedback"]
    assert messages
    for now, message in messages:
        start, end = message.start, message.start + len(message.sound.samples)
        assert start >= now + round(0.2 * RATE_HZ)  # far more than any card's buffer
        assert all(end <= other_start or start >= other_end for other_start, other_end in others)
        following = min((other for other, _ in others if other > start), default=None)
        assert following is None or following - end >= 0.1 * RATE_HZ


def test_nothing_is_told_without_a_teller_or_about_a_miss():
    assert told(run()[1]) == []
    assert told(run(touchdowns_ms=(None,) * 4, feedback=tellers())[1]) == []


def test_the_session_waits_for_its_last_message():
    _, events = run(feedback=tellers(delay_s=4.0), seconds=25.0)
    last = told(events)[-1]
    assert last.rep.index == 3
    ended = next(now for now, event in events if isinstance(event, Ended))
    assert ended >= last.start + len(last.sound.samples)


# ---------------------------------------------------------------- in between


def test_a_snapshot_tells_how_far_the_session_is():
    session, _ = run(seconds=8.0)
    now = session.snapshot()
    assert (now.done, now.total) == (2, 3)
    assert now.elapsed_s == pytest.approx(8.0, abs=0.03)
    assert now.left_s == pytest.approx(13.8 - 8.0, abs=0.03)  # the last rep ends at 13.5 s, and 0.3 s of tail
    assert now.last == now.recent[-1] == session.verdicts[-1]
    assert now.scores.n == 2
    assert now.noise_db == -60.0
    assert session.snapshot().level_db == -np.inf


def test_a_snapshot_of_a_session_not_begun_is_empty():
    session = Session(REPS, BANK, Script(()), Placement(), RATE_HZ)
    now = session.snapshot()
    assert (now.done, now.total, now.last, now.recent) == (0, 3, None, ())
    assert now.scores.constant_error_ms is None


@pytest.mark.parametrize(
    ("second_s", "at_s", "seen"), [(30.0, 4.0, False), (30.0, 12.0, True), (12.0, 10.0, False), (30.0, 31.5, False)]
)
def test_a_rest_is_told_once_the_last_figure_was_seen_and_a_wait_is_none(second_s, at_s, seen):
    session, _ = run((a_rep(0, 1.0), a_rep(1, second_s)), (133.0, 133.0), seconds=at_s)
    rest_s = session.snapshot().rest_s
    assert (rest_s is not None) is seen
    if rest_s is not None:
        first = min(cue.at_s for cue in session.reps[1].cues) + session.reps[1].start_s
        assert rest_s == pytest.approx(first - at_s, abs=0.6)  # a swing's sound begins before its anchor
        session.pause(notice("by_hand"))
        assert session.snapshot().rest_s is None


def test_the_level_is_the_latest_blocks_peak():
    session = Session(REPS, BANK, Script((133.0,) * 4), Placement(), RATE_HZ)
    block = np.zeros((960, 2), np.float32)
    block[100, 1] = -0.5
    session.feed(Block(0, block, block))
    assert session.snapshot().level_db == pytest.approx(-6.02, abs=0.01)


def test_stopping_early_judges_what_was_begun_and_nothing_else():
    session, _ = run(seconds=4.2)
    events = session.finish()
    assert [event.verdict.grade for event in events] == [Grade.VOID]
    assert [verdict.rep for verdict in session.verdicts] == [0, 1]
    assert session.scores().void == 1


@pytest.mark.parametrize("before_s", [0.3, 1.0])
def test_stopping_early_leaves_out_a_rep_whose_first_sound_was_only_planned(before_s):
    first = min(play.start for play in place_cues(REPS[2], BANK, RATE_HZ)) / RATE_HZ
    session, events = run(seconds=first - before_s)
    assert 2 in {play.rep.index for play in of(Play, events)}  # planned it was
    session.finish()
    assert 2 not in {verdict.rep for verdict in session.verdicts}


# ---------------------------------------------------------------- with the real listener in the simulated room


@pytest.mark.parametrize("sizes", [(256,), (1024, 17, 4096)])
def test_a_session_in_the_room_does_not_depend_on_its_blocks(sizes):
    def verdicts(block_frames):
        room = SimulatedRoom(
            replace(PRESETS["quiet"], snr_db=30.0), SimulatedPlayer(SKILLS["club"], 2), 5, block_frames=block_frames
        )
        session = Session(REPS, BANK, Listener(RATE_HZ, 1), Placement(3.0, 3.0, 0.5), RATE_HZ, zero=24_000)
        room.start()
        while True:
            for event in session.feed(room.read()):
                if isinstance(event, Play):
                    room.play(event.start, event.sound, event.cue, event.rep)
                if isinstance(event, Ended):
                    return session.verdicts

    whole = verdicts(960)
    assert [verdict.rep for verdict in whole] == [0, 1, 2, 3]
    assert sum(verdict.touchdown_s is not None for verdict in whole) >= 2
    assert verdicts(sizes) == whole
