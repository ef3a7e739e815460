"""What player and coach ask of a running session: pause, go on, tell me, say it again, that one does not count."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from test_session import BANK, BLOCK, RATE_HZ, REPS, Script, a_rep, of, sound, tellers, told

from drilltimer.drill.windows import window_for
from drilltimer.errors import notice
from drilltimer.model import LEVELS, Block, Grade, Placement, Progression
from drilltimer.score.feedback import CLEARANCE_S, Message
from drilltimer.session import Ended, Judged, Play, Session, Shown, Silence
from drilltimer.ui.lines import BY_KEY

WORDS = {("stop", None): sound("stop", 0.4), ("get-ready", None): sound("get-ready", 0.5)}


class ScriptAgain(Script):
    """Goes on answering by rep, whenever the expectation comes."""

    def __init__(self, other):
        super().__init__(other.touchdowns_ms)


def run(acts, reps=REPS, touchdowns_ms=(133.0, 300.0, None, 20.0), *, feedback=(), seconds=30.0, bank=BANK):
    """Feed silence and do `acts` [(second, function of the session)]; answers session and (frame, event) pairs."""
    session = Session(
        reps,
        bank,
        Script(touchdowns_ms),
        Placement(),
        RATE_HZ,
        feedback,
        renew=lambda old, rate, lost: ScriptAgain(old),
    )
    events, shots = [], []
    waiting = sorted(acts, key=lambda act: act[0])
    for start in range(0, round(seconds * RATE_HZ), BLOCK):
        while waiting and waiting[0][0] * RATE_HZ <= start:
            waiting.pop(0)[1](session)
        zeros = np.zeros((BLOCK, 1), np.float32)
        events += [(start + BLOCK, event) for event in session.feed(Block(start, zeros, zeros))]
        shots.append(session.snapshot())
    return session, events, shots


def contacts(events):
    """Contacts that really sounded: those taken back by a silence do not count."""
    handed = []
    for now, event in events:
        if isinstance(event, Silence):
            handed = [play for play in handed if play.start < now]
        elif isinstance(event, Play) and event.cue.role == "contact":
            handed.append(event)
    return [(play.rep.index, play.start / RATE_HZ) for play in handed]


def test_a_pause_silences_voids_what_has_begun_and_goes_on_with_the_rest():
    session, events, shots = run(
        [(4.2, lambda s: s.pause(BY_KEY)), (6.0, lambda s: s.resume())],
        touchdowns_ms=(133.0, 133.0, None, 20.0),
    )
    assert [v.grade for v in session.verdicts] == [Grade.ON_TIME, Grade.VOID, Grade.KEPT_STILL, Grade.EARLY]
    assert session.verdicts[1].void == BY_KEY
    assert len(of(Silence, events)) == 1
    # rep 2's swing would have begun at 6.6 s, less than three seconds after going on
    shift_s = 6.0 + 3.0 - 6.6
    assert contacts(events) == [(0, 1.0), (1, 4.0), (3, pytest.approx(12.0 + shift_s, abs=0.03))]
    assert sum(isinstance(e, Ended) for _, e in events) == 1
    assert [shot.paused for shot in shots if 4.3 < shot.elapsed_s < 5.9] == [BY_KEY] * 79


def test_a_rep_that_a_pause_voids_keeps_the_level_that_the_player_had_reached():
    ladder = tuple(window_for(level, "return") for level in LEVELS)
    reps = tuple(replace(rep, level="club", ladder=ladder) for rep in REPS)
    rule = Progression(reps=1, up_share=1.0, down_share=0.0)
    session = Session(reps, BANK, Script((133.0, 133.0, None, None)), Placement(), RATE_HZ, progression=rule)
    zeros = np.zeros((BLOCK, 1), np.float32)
    for start in range(0, round(4.2 * RATE_HZ), BLOCK):
        session.feed(Block(start, zeros, zeros))
    session.pause(BY_KEY)
    assert [(each.grade, each.level) for each in session.verdicts] == [
        (Grade.ON_TIME, "club"),
        (Grade.VOID, "advanced"),
    ]
    assert session.verdicts[1].window_open_ms == ladder[2].open_ms


def test_a_rep_that_had_not_begun_is_played_whole_later():
    session, events, _ = run([(2.6, lambda s: s.pause(BY_KEY)), (3.0, lambda s: s.resume())])
    assert [v.rep for v in session.verdicts] == [0, 1, 2, 3]
    assert session.verdicts[1].grade is Grade.LATE  # nothing was lost of it
    at = dict(contacts(events))
    assert at[1] == pytest.approx(4.0 + 3.0 + 3.0 - 3.6, abs=0.03)
    assert at[3] - at[1] == pytest.approx(8.0, abs=0.001)


def test_a_long_rest_is_not_made_longer_by_a_short_pause():
    _, events, _ = run([(7.6, lambda s: s.pause(BY_KEY)), (8.0, lambda s: s.resume())], seconds=20.0)
    assert dict(contacts(events))[3] == pytest.approx(12.0, abs=0.001)


def test_nothing_is_handed_out_and_nothing_ends_while_paused():
    _, events, shots = run([(2.6, lambda s: s.pause(BY_KEY))])
    assert not [event for now, event in events if now > 2.7 * RATE_HZ]
    assert shots[-1].paused == BY_KEY
    assert (shots[-1].done, shots[-1].total) == (1, 3)


def test_pause_and_going_on_are_spoken_where_the_language_has_the_words():
    _, events, _ = run([(2.6, lambda s: s.pause(BY_KEY)), (4.0, lambda s: s.resume())], bank={**BANK, **WORDS})
    said = [
        (play.cue.sound, now / RATE_HZ)
        for now, play in events
        if isinstance(play, Play) and play.cue.sound in ("stop", "get-ready")
    ]
    assert said == [("stop", pytest.approx(2.62, abs=0.03)), ("get-ready", pytest.approx(4.02, abs=0.03))]


def test_a_request_tells_the_last_landing_and_never_over_a_lead_in():
    _, events, _ = run([(5.6, lambda s: s.request())], feedback=tellers("on_request"))
    (play,) = told(events)
    assert (play.rep.index, play.cue.sound) == (1, "tone_late")
    # acted at 4.3 s, three seconds later is rep 2's rep; its swing begins at 6.6 s
    assert play.start + len(play.sound.samples) <= (6.6 - CLEARANCE_S) * RATE_HZ + 1


def test_a_request_without_room_waits_for_the_next_gap():
    _, events, _ = run([(6.5, lambda s: s.request())], feedback=tellers("on_request"))
    (play,) = told(events)
    assert (play.rep.index, play.cue.sound) == (2, "tone_late")  # told after rep 2, about the last landing
    assert 8.0 * RATE_HZ < play.start < 11.0 * RATE_HZ


def test_an_unasked_player_is_told_nothing_on_request():
    assert told(run([], feedback=tellers("on_request"))[1]) == []


def test_a_guess_comes_before_the_answer_and_is_counted():
    acts = [(2.6, lambda s: s.guess(Message.ON_TIME)), (5.6, lambda s: s.guess(Message.EARLY))]
    _, events, shots = run(acts, feedback=tellers("each", guess_first=True, delay_s=1.0))
    assert [(p.rep.index, p.cue.sound) for p in told(events)][:2] == [(0, "tone_on_time"), (1, "tone_late")]
    assert (shots[-1].guesses, shots[-1].right_guesses) == (2, 1)
    before = [shot for shot in shots if 2.5 < shot.elapsed_s < 2.6]
    assert all(shot.asking and shot.shown is None for shot in before)
    for shot in before:  # nor can the answer be read off the strip or the scores
        assert len(shot.recent) == shot.done - 1 == shot.scores.n
    assert before


def test_a_pause_ends_the_question_about_the_rep_before():
    _, _, shots = run([(4.2, lambda s: s.pause(BY_KEY))], feedback=tellers("each", guess_first=True))
    asked = [shot for shot in shots if shot.elapsed_s < 4.2][-1]
    assert (asked.asking, asked.done, len(asked.recent)) == (True, 1, 0)
    assert (shots[-1].asking, shots[-1].done, len(shots[-1].recent)) == (False, 2, 2)


def test_the_guess_is_asked_for_aloud_before_the_answer_and_never_over_another_sound():
    bank = {**BANK, ("your-guess", None): sound("your-guess", 0.3)}
    acts = [(3.3, lambda s: s.guess(Message.ON_TIME))]
    reps = (a_rep(0, 1.0), a_rep(1, 6.0))
    _, events, _ = run(acts, reps=reps, feedback=tellers("each", guess_first=True, delay_s=1.0), bank=bank)
    assert [(p.rep.index, p.cue.sound) for p in told(events)][:3] == [
        (0, "your-guess"),
        (0, "tone_on_time"),
        (1, "your-guess"),
    ]
    spans = sorted((play.start, play.start + len(play.sound.samples)) for play in of(Play, events))
    assert all(end <= start for (_, end), (start, _) in pairwise(spans))
    _, events, _ = run([], feedback=tellers("each", delay_s=1.0), bank=bank)
    assert "your-guess" not in {play.cue.sound for play in told(events)}


def test_a_guess_that_found_no_room_to_be_asked_for_is_not_asked_for_later():
    bank = {**BANK, ("your-guess", None): sound("your-guess", 4.0)}
    _, events, _ = run([], feedback=tellers("each", guess_first=True, delay_s=1.0), bank=bank)
    assert [p.rep.index for p in told(events) if p.cue.sound == "your-guess"] == [3]  # after it nothing comes


def test_a_player_who_does_not_guess_is_told_all_the_same():
    _, events, _ = run([], reps=REPS[:1], feedback=tellers("each", guess_first=True, delay_s=1.0), seconds=12.0)
    (play,) = told(events)
    assert play.start == pytest.approx((1.133 + 1.0 + 5.0) * RATE_HZ, abs=2 * BLOCK)


def test_the_screen_tells_the_player_no_sooner_than_the_ear():
    _, events, shots = run([], feedback=tellers("each", delay_s=1.0))
    first = told(events)[0]
    sooner = [shot for shot in shots if shot.elapsed_s * RATE_HZ < first.start]
    assert all(shot.shown is None for shot in sooner)
    assert any(shot.last is not None for shot in sooner)  # the coach knows already
    later = next(shot for shot in shots if shot.elapsed_s * RATE_HZ >= first.start)
    assert later.shown == Shown(Grade.ON_TIME, 0.0)


def test_a_band_shows_in_silence_what_it_passes_over():
    _, events, shots = run([], reps=REPS[:1], feedback=tellers("band", delay_s=1.0), seconds=6.0)
    assert told(events) == []
    assert shots[-1].shown == Shown(Grade.ON_TIME, 0.0)


def test_a_test_block_shows_the_player_nothing():
    _, _, shots = run([], feedback=tellers("none"))
    assert {shot.shown for shot in shots} == {None}


def test_a_call_is_repeated_in_the_next_gap():
    _, events, shots = run([(2.0, lambda s: s.repeat_call())])
    calls = [play for play in of(Play, events) if play.cue.sound == "left"]
    assert len(calls) == 2
    assert calls[1].start == pytest.approx(2.4 * RATE_HZ, abs=2 * BLOCK)
    assert "left" in {shot.said for shot in shots if shot.elapsed_s > 2.5}


def test_a_call_that_has_not_sounded_is_not_repeated():
    early = [(1.1, lambda s: s.repeat_call())]  # handed out long ago, due at 1.3 s
    taken_back = [(0.2, lambda s: s.pause(BY_KEY)), (1.5, lambda s: s.resume()), (2.0, lambda s: s.repeat_call())]
    for acts, sounds in ((early, 1), (taken_back, 2)):  # taken back once, and played with its rep
        _, events, shots = run(acts)
        calls = [play for play in of(Play, events) if play.cue.sound == "left"]
        assert [play.cue.role for play in calls] == ["call"] * sounds
    assert not any(shot.said for shot in shots if shot.elapsed_s < 5.0)


def test_a_call_is_not_repeated_over_a_lead_in():
    _, events, _ = run([(3.0, lambda s: s.repeat_call())])  # the swing begins at 3.6 s: no room before it
    calls = [play for play in of(Play, events) if play.cue.sound == "left"]
    others = [(p.start, p.start + len(p.sound.samples)) for p in of(Play, events) if p.cue.sound != "left"]
    assert len(calls) == 2
    start, end = calls[1].start, calls[1].start + len(calls[1].sound.samples)
    assert all(end <= a or start >= b for a, b in others)


def test_a_rep_is_declared_void_and_that_can_be_taken_back():
    session, events, _ = run([(3.0, lambda s: s.mark_void())])
    assert [v.grade for v in session.verdicts][:2] == [Grade.VOID, Grade.LATE]
    assert session.verdicts[0].void == notice("by_hand")
    assert session.scores().void == 1
    assert [e.rep.index for e in of(Judged, events)][:2] == [0, 0]  # told anew
    session, _, _ = run([(2.8, lambda s: s.mark_void()), (3.0, lambda s: s.mark_void())])
    assert session.verdicts[0].grade is Grade.ON_TIME
    assert session.scores().void == 0


@pytest.mark.parametrize(("presses", "level"), [(0, "advanced"), (1, "club"), (2, "advanced")])
def test_a_rep_declared_void_counts_towards_no_other_level(presses, level):
    ladder = tuple(window_for(level, "return") for level in LEVELS)
    reps = tuple(replace(rep, level="club", ladder=ladder, withheld=False) for rep in REPS)
    rule = Progression(reps=2, up_share=1.0, down_share=0.0)
    session = Session(reps, BANK, Script((133.0, 133.0, 133.0, 133.0)), Placement(), RATE_HZ, progression=rule)
    zeros = np.zeros((BLOCK, 1), np.float32)
    for start in range(0, round(16 * RATE_HZ), BLOCK):
        session.feed(Block(start, zeros, zeros))
        if start == 3 * RATE_HZ:  # the first rep is judged
            for _ in range(presses):
                session.mark_void()
    assert [verdict.level for verdict in session.verdicts][2] == level


@pytest.mark.parametrize(
    ("presses_s", "levels", "moves", "said"),
    [
        ((), "ccaa", ["advanced"], ["harder"]),
        ((9.0,), "cccc", ["advanced", "club"], ["harder", "easier"]),
        ((8.0, 9.0), "ccaa", ["advanced", "club", "advanced"], ["harder", "easier", "harder"]),
        ((9.0, 9.0), "ccaa", ["advanced", "club", "advanced"], ["harder"]),
    ],
)
def test_a_move_is_taken_back_with_the_rep_that_led_to_it(presses_s, levels, moves, said):
    """Contacts at 1, 4, 13 and 17 s: the second is judged, and leads up, at 5.5 s."""
    ladder = tuple(window_for(level, "return") for level in LEVELS)
    reps = (a_rep(index, at_s) for index, at_s in enumerate((1.0, 4.0, 13.0, 17.0)))
    reps = tuple(replace(rep, level="club", ladder=ladder) for rep in reps)
    bank = BANK | {(word, None): sound(word, 0.4) for word in ("harder", "easier")}
    rule, script = Progression(reps=2, up_share=1.0, down_share=0.0), Script((133.0, 133.0, 300.0, 300.0))
    session = Session(reps, bank, script, Placement(), RATE_HZ, progression=rule)
    zeros, events = np.zeros((BLOCK, 1), np.float32), []
    for start in range(0, round(20 * RATE_HZ), BLOCK):
        events += session.feed(Block(start, zeros, zeros))
        for _ in range([round(at_s * RATE_HZ) for at_s in presses_s].count(start)):
            session.mark_void()
    assert "".join(verdict.level[0] for verdict in session.verdicts) == levels
    assert [event.move.level for event in events if isinstance(event, Judged) and event.move] == moves
    words = [event.cue.sound for event in events if isinstance(event, Play)]
    assert [word for word in words if word in ("harder", "easier")] == said


def test_a_rep_declared_void_is_not_told():
    _, events, _ = run(
        [(3.0, lambda s: s.mark_void())],
        reps=(REPS[0], a_rep(3, 12.0)),
        touchdowns_ms=(300.0, 0, 0, 20.0),
        feedback=tellers("each", guess_first=True, delay_s=3.0),
    )
    assert [play.rep.index for play in told(events)] == [3]


def test_keys_before_the_first_rep_do_no_harm():
    acts = [(0.1, lambda s: (s.mark_void(), s.request(), s.repeat_call(), s.guess(Message.LATE), s.resume()))]
    session, events, _ = run(acts, feedback=tellers())
    assert len(session.verdicts) == 4
    assert contacts(events) == [(0, 1.0), (1, 4.0), (3, 12.0)]
