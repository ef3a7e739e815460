"""What must hold for the listener whatever its methods are: relations between what is fed and what is answered.

The sounds here are made by hand and none of them is the program's own: a contact is a burst of 1.5-6 kHz, a landing a
thud with a slap, the room one reflection.
"""

from __future__ import annotations

import functools
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from eight_reps import (
    CONTACTS_S,
    DELAYS_MS,
    LATENCY_S,
    PLAIN,
    RATE_HZ,
    STAGGER_MS,
    WINDOW,
    Practice,
    practice,
    touchdowns_ms,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import resample_poly

from drilltimer.hear import ear
from drilltimer.hear.cancel import OwnSound
from drilltimer.hear.listen import Listener
from drilltimer.model import Block, Placement, Rep
from drilltimer.score.match import judge
from drilltimer.session import hearing_ranges


@functools.cache
def whole():
    """What is answered to blocks of a second."""
    return PLAIN.listen(sizes=(RATE_HZ,))


def grades(found, rate_hz=RATE_HZ):
    rep = Rep(0, 0.0, 2.0, 0.5, (), None, WINDOW)
    return [judge(each, replace(rep, index=each.rep), Placement(), rate_hz).grade for each in found]


def test_every_landing_is_timed():
    found = whole()
    assert touchdowns_ms(found) == pytest.approx(DELAYS_MS, abs=0.5)
    for each, contact_s in zip(found, CONTACTS_S, strict=True):
        assert each.contact_heard
        assert each.contact.at == pytest.approx((contact_s + LATENCY_S) * RATE_HZ, abs=1.0)


def test_both_feet_are_timed():
    staggers_ms = [
        1e3 * (each.landing.second_touchdown.at - each.landing.touchdown.at) / RATE_HZ
        for each in whole()
        if each.landing.second_touchdown
    ]
    assert len(staggers_ms) >= 6
    assert staggers_ms == pytest.approx([STAGGER_MS] * len(staggers_ms), abs=1.5)


@pytest.mark.parametrize("sizes", [(64,), (1024, 1, 7, 4096), (10_000_000,)])
def test_any_blocks_give_equal_answers(sizes):
    assert PLAIN.listen(sizes) == whole()


def test_no_answer_waits_for_more_than_one_look_at_its_take_or_for_what_it_teaches(monkeypatch):
    """While the room is new, each rep is looked at twice: all but the last look comes before it ends."""
    looks, lessons = [], []
    look, learn = ear.draw_picture, OwnSound.learn
    monkeypatch.setattr(ear, "draw_picture", lambda *given: looks.append(given) or look(*given))
    monkeypatch.setattr(OwnSound, "learn", lambda *given: lessons.append(given) or learn(*given))
    listener = Listener(RATE_HZ, 1)
    for expected in hearing_ranges(PLAIN.marks, RATE_HZ):
        listener.expect(expected)
    costs = []
    for start in range(0, len(PLAIN.heard), 1024):
        before = len(looks), len(lessons)
        end = start + 1024
        heard, played = (each[start:end].astype(np.float32) for each in (PLAIN.heard, PLAIN.played[:, None]))
        found = listener.feed(Block(start, heard, played))
        if found:
            costs.append((len(looks) - before[0], len(lessons) - before[1]))
    assert costs == [(1, 0)] * len(CONTACTS_S)
    assert len(looks) > len(costs)  # the room was new
    assert len(lessons) >= len(costs)


def test_a_rep_that_is_heard_again_is_not_answered_by_what_was_found_the_first_time():
    """It was broken off just before its end; the same ears go on, and the rep comes again under its own number."""
    first = Listener(RATE_HZ, 1)
    for expected in hearing_ranges(PLAIN.marks[:5], RATE_HZ):
        first.expect(expected)
    broken_off = round((CONTACTS_S[4] + LATENCY_S + 1.3) * RATE_HZ)
    heard, played = (each.astype(np.float32) for each in (PLAIN.heard, PLAIN.played[:, None]))
    for start in range(0, broken_off, 480):
        first.feed(Block(start, heard[start : start + 480], played[start : start + 480]))
    again = Listener(RATE_HZ, 1, ears=first.ears)
    _, at, frames, withheld = PLAIN.marks[5]
    again.expect(next(iter(hearing_ranges([(4, at, frames, withheld)], RATE_HZ))))
    found = []
    for start in range(0, len(heard), 480):
        found += again.feed(Block(start, heard[start : start + 480], played[start : start + 480]))
    (told,) = found
    assert told.contact.at == pytest.approx((CONTACTS_S[5] + LATENCY_S) * RATE_HZ, abs=1.0)
    assert touchdowns_ms([told]) == pytest.approx([DELAYS_MS[5]], abs=0.5)


def test_nothing_piles_up_while_no_rep_is_due():
    listener = Listener(RATE_HZ, 1)
    first = next(iter(hearing_ranges(PLAIN.marks, RATE_HZ)))
    listener.expect(first)
    second = np.zeros((RATE_HZ, 1), np.float32)
    held = []
    tracemalloc.start()
    for k in range(40):
        assert bool(listener.feed(Block(k * RATE_HZ, second.copy(), second.copy()))) == (k == 2)
        held.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert max(held[20:]) < 1.05 * max(held[5:20])


@pytest.mark.long
@settings(max_examples=6)
@given(st.lists(st.integers(50, 60_000), min_size=1, max_size=6))
def test_whatever_blocks_there_are_the_answers_are_equal(sizes):
    assert PLAIN.listen(tuple(sizes)) == whole()


@pytest.mark.parametrize("frames", [1, 123_458])
def test_later_by_k_frames_is_later_by_k_frames(frames):
    ahead = 4e-3 * np.random.default_rng(9).standard_normal((frames, 1))
    marks = tuple((rep, at + frames, long, withheld) for rep, at, long, withheld in PLAIN.marks)
    later = Practice(np.pad(PLAIN.played, (frames, 0)), np.concatenate([ahead, PLAIN.heard]), marks).listen()
    for now, then in zip(whole(), later, strict=True):
        assert then.contact.at - now.contact.at == pytest.approx(frames, abs=0.01)
        assert then.landing.touchdown.at - now.landing.touchdown.at == pytest.approx(frames, abs=1e-6)


@pytest.mark.parametrize("gain_db", [-20.0, 20.0])
def test_the_recording_level_does_not_matter(gain_db):
    found = practice(gain=10 ** (gain_db / 20)).listen()
    assert grades(found) == grades(whole())
    assert touchdowns_ms(found) == pytest.approx(touchdowns_ms(whole()), abs=0.2)


@pytest.mark.parametrize("latency_s", [0.005, 0.2999])
def test_the_devices_latency_does_not_matter(latency_s):
    """The very same sound, heard earlier or later by whole frames.

    The analysis takes every third frame, so its grid falls otherwise: two of its steps are 0.125 ms.
    """
    frames = round((latency_s - LATENCY_S) * RATE_HZ)
    noise = 4e-3 * np.random.default_rng(9).standard_normal((abs(frames), 1))
    heard = np.concatenate([noise, PLAIN.heard] if frames > 0 else [PLAIN.heard[-frames:], noise])
    found = replace(PLAIN, heard=heard[: len(PLAIN.heard)]).touchdowns_ms()
    assert found == pytest.approx(touchdowns_ms(whole()), abs=0.13)


def test_a_landing_leaves_no_ghost_in_later_reps():
    """A steady player who then stays on the ground, in a quiet room."""
    found = practice((133.0,) * 6 + (None, None), noise=1e-3).touchdowns_ms()
    assert found == [*[pytest.approx(133.0, abs=1.0)] * 6, None, None]


def test_the_first_rep_is_timed_though_nothing_was_heard_before_its_contact():
    found = practice(noise=1e-3, lead_in=False).touchdowns_ms()
    assert found[:2] == pytest.approx(DELAYS_MS[:2], abs=0.5)


def test_a_landing_just_before_its_contact_is_told_as_before():
    delays_ms = (133.0, 140.0, 150.0, -60.0, 120.0, -110.0, 140.0, 150.0)
    assert practice(delays_ms).touchdowns_ms() == pytest.approx(delays_ms, abs=0.7)


@pytest.mark.parametrize("noise", [0.0, 1e-2])
def test_cues_alone_give_no_landing(noise):
    found = practice((None,) * 8, noise=noise).listen()
    assert all(each.contact_heard for each in found)
    assert [each.landing for each in found] == [None] * 8


def test_now_and_then_no_hop_is_no_landing():
    delays_ms = (133.0, None, 150.0, 170.0, None, 120.0, None, 140.0)
    found = practice(delays_ms).touchdowns_ms()
    assert [each is None for each in found] == [each is None for each in delays_ms]
    timed = [each for each in delays_ms if each is not None]
    assert [each for each in found if each is not None] == pytest.approx(timed, abs=0.5)


def test_without_our_sound_in_the_air_nothing_is_told():
    """Landings, but no cue: earphones on, say."""
    heard = practice(withheld=range(8), lead_in=False).heard
    found = Practice(PLAIN.played, heard, PLAIN.marks).listen()
    assert all(each.void for each in found)
    assert not any(each.contact_heard for each in found)
    assert touchdowns_ms(found) == [None] * 8


def test_noise_alone_gives_no_landing():
    noise = 0.01 * np.random.default_rng(5).standard_normal(PLAIN.heard.shape)
    found = Practice(PLAIN.played, noise, PLAIN.marks).listen()
    assert touchdowns_ms(found) == [None] * 8
    assert all(each.void for each in found)


def test_digital_silence_is_void():
    found = Practice(PLAIN.played, np.zeros_like(PLAIN.heard), PLAIN.marks).listen()
    assert all("silence" in each.void for each in found)


@pytest.mark.parametrize("rep", [0, 7])
def test_a_lost_block_voids_the_rep_it_touches_and_no_other(rep):
    lost = round((CONTACTS_S[rep] + LATENCY_S + 0.1) * RATE_HZ)
    found = PLAIN.listen(lost=[lost])
    assert [each.rep for each in found if each.void] == [rep]
    others = [each for each in touchdowns_ms(found) if each is not None]
    asked = [delay for place, delay in enumerate(DELAYS_MS) if place != rep]
    assert others == pytest.approx(asked, abs=0.5)


@pytest.mark.long
def test_sample_rates_agree():
    """One sound at three rates."""
    fine = [resample_poly(PLAIN.played, 2, 1), resample_poly(PLAIN.heard, 2, 1, axis=0)]
    at_ms = []
    for rate_hz, up, down in ((96_000, 1, 1), (48_000, 1, 2), (44_100, 147, 320)):
        played, heard = (resample_poly(each, up, down, axis=0) for each in fine)
        marks = tuple(
            (rep, round(at * rate_hz / RATE_HZ), round(frames * rate_hz / RATE_HZ), withheld)
            for rep, at, frames, withheld in PLAIN.marks
        )
        at_ms.append(Practice(played, heard, marks, rate_hz).touchdowns_ms())
    for each in at_ms:
        assert each == pytest.approx(DELAYS_MS, abs=0.5)
        assert each == pytest.approx(at_ms[0], abs=0.3)


def test_a_withheld_contact_is_timed_from_the_sessions_round_trip():
    found = practice(withheld=(3, 6)).listen()
    assert touchdowns_ms(found) == pytest.approx(DELAYS_MS, abs=0.5)
    for rep in (3, 6):
        assert not found[rep].contact_heard
        assert found[rep].contact.at == pytest.approx((CONTACTS_S[rep] + LATENCY_S) * RATE_HZ, abs=2.0)


def test_who_keeps_still_at_a_withheld_contact_is_told_so():
    delays_ms = (*DELAYS_MS[:3], None, *DELAYS_MS[4:])
    found = practice(delays_ms, withheld=(3,)).listen()
    assert found[3].landing is None
    assert found[3].void == ""


@pytest.mark.parametrize("dead", [0, 1])
def test_of_two_microphones_the_better_one_speaks(dead):
    silent = np.zeros_like(PLAIN.heard)
    both = [PLAIN.heard, silent] if dead else [silent, PLAIN.heard]
    two = replace(PLAIN, heard=np.concatenate(both, axis=1))
    assert two.touchdowns_ms() == pytest.approx(DELAYS_MS, abs=0.5)


@pytest.mark.long
@pytest.mark.parametrize("noisy", [0, 1])
def test_a_noisy_second_microphone_does_no_harm(noisy):
    noise = practice(noise=0.02, seed=3).heard
    both = [PLAIN.heard, noise] if noisy else [noise, PLAIN.heard]
    two = replace(PLAIN, heard=np.concatenate(both, axis=1))
    assert two.touchdowns_ms() == pytest.approx(DELAYS_MS, abs=0.7)


def test_the_round_trip_is_known_though_the_first_microphone_be_dead():
    two = replace(PLAIN, heard=np.concatenate([np.zeros_like(PLAIN.heard), PLAIN.heard], axis=1))
    listener = Listener(RATE_HZ, 2)
    for expected in hearing_ranges(two.marks, RATE_HZ):
        listener.expect(expected)
    listener.feed(Block(0, two.heard.astype(np.float32), two.played[:, None].astype(np.float32)))
    listener.finish()
    assert listener.round_trip_ms == pytest.approx(1e3 * LATENCY_S, abs=0.1)
    assert abs(listener.drift_ppm) < 1.0


@pytest.mark.parametrize("rep", [0, 4])
def test_a_masked_contact_is_inferred_or_void_never_wrong(rep):
    heard = PLAIN.heard.copy()
    first = round((CONTACTS_S[rep] + LATENCY_S - 0.03) * RATE_HZ)
    heard[first : first + 4000, 0] = 0.5 * np.random.default_rng(3).standard_normal(4000)
    found = replace(PLAIN, heard=heard).touchdowns_ms()
    others = [each for place, each in enumerate(found) if place != rep]
    assert others == pytest.approx([delay for place, delay in enumerate(DELAYS_MS) if place != rep], abs=0.6)
    assert found[rep] is None or (rep > 0 and -60.0 < found[rep] < DELAYS_MS[rep] + 1.0)


@pytest.mark.parametrize("step_s", [0.06, -0.05])
def test_a_step_of_the_latency_is_followed_within_two_reps(step_s):
    found = practice(steps_s=(0.0,) * 4 + (step_s,) * 4).touchdowns_ms()
    assert found[:4] == pytest.approx(DELAYS_MS[:4], abs=0.5)
    assert found[6:] == pytest.approx(DELAYS_MS[6:], abs=0.5)
    for told, real in zip(found[4:6], DELAYS_MS[4:6], strict=True):
        assert told is None or told == pytest.approx(real, abs=1.0)


@pytest.mark.long
def test_a_slow_drift_of_the_clock_is_followed():
    """100 ppm over the session are 66 frames: the zero of each rep must move with them."""
    places = np.arange(len(PLAIN.heard)) * (1.0 + 1e-4)
    heard = np.interp(places, np.arange(len(PLAIN.heard)), PLAIN.heard[:, 0])[:, None]
    drifting = replace(PLAIN, heard=heard)
    assert drifting.touchdowns_ms() == pytest.approx(DELAYS_MS, abs=0.6)
    listener = Listener(RATE_HZ, 1)
    for expected in hearing_ranges(drifting.marks, RATE_HZ):
        listener.expect(expected)
    listener.feed(Block(0, heard.astype(np.float32), drifting.played[:, None].astype(np.float32)))
    listener.finish()
    assert listener.drift_ppm == pytest.approx(-100.0, abs=5.0)


def test_reps_that_the_sound_does_not_hold_are_void():
    cut = round((CONTACTS_S[5] + 0.2) * RATE_HZ)
    short = replace(PLAIN, heard=PLAIN.heard[:cut], played=PLAIN.played[:cut])
    found = short.listen()
    assert touchdowns_ms(found)[:5] == pytest.approx(DELAYS_MS[:5], abs=0.5)
    assert all(each.void for each in found[5:])


def test_an_overdriven_microphone_is_timed_or_void_but_not_wrong():
    clipped = replace(PLAIN, heard=np.clip(60.0 * PLAIN.heard, -1.0, 1.0))
    for told, real in zip(clipped.touchdowns_ms(), DELAYS_MS, strict=True):
        assert told is None or told == pytest.approx(real, abs=3.0)


def test_a_block_out_of_turn_is_a_fault_of_the_caller():
    listener = Listener(RATE_HZ)
    zeros = np.zeros((100, 1), np.float32)
    listener.feed(Block(0, zeros, zeros))
    with pytest.raises(ValueError, match="starts at frame 150, expected 100"):
        listener.feed(Block(150, zeros, zeros))


def test_a_landing_that_comes_with_the_contact_is_told():
    """Where no player that the net was taught by lands, it says that none does."""
    delays_ms = (-30.0, -15.0, -5.0, 0.0, 5.0, 15.0, 30.0, 60.0)
    told = practice(delays_ms, noise=0.002, seed=3).touchdowns_ms()
    near = [each is not None and abs(each - delay_ms) < 2.0 for each, delay_ms in zip(told, delays_ms, strict=True)]
    assert sum(near) >= len(delays_ms) - 1


@pytest.mark.long
def test_a_player_who_shifts_is_followed_at_once():
    """In noise, where a usual time would pull: what was before the shift says nothing about when feet come after it."""
    errors_ms = []
    for seed in range(4):
        for before_ms, after_ms in ((110.0, 210.0), (250.0, 150.0)):
            delays_ms = (before_ms,) * 4 + (after_ms,) * 4
            told = practice(delays_ms, noise=0.012, seed=seed).touchdowns_ms()
            assert all(each is not None for each in told)
            errors_ms.append(np.array(told) - delays_ms)
    across = np.mean(errors_ms, axis=0)
    assert np.abs(across[4:] - across[:4].mean()).max() <= 1.0
    assert abs(across[4:].mean()) <= 1.0
