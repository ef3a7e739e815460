"""What a sound check's hops do for the session after it: its first landings are decided better, and none worse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_listen import DELAYS_MS, LATENCY_S, practice, touchdowns_ms

from drilltimer.audio.files import find_drill, load_word
from drilltimer.drill.language import load_drill
from drilltimer.drill.schedule import schedule
from drilltimer.hear import decide
from drilltimer.hear.listen import Listener
from drilltimer.hear.onsets import COLOUR_EDGES_HZ, Rise, Rises
from drilltimer.hear.profile import ENOUGH, RECALLED_REPS, Profile
from drilltimer.model import Block, LandingSound
from drilltimer.session import hearing_ranges, place_cues
from drilltimer.session.layout import expectations
from drilltimer.sim.player import SKILLS, SimulatedPlayer
from drilltimer.sim.recording import simulate_recording
from drilltimer.sim.settings import PRESETS
from drilltimer.sound.bank import build_bank

RATE_HZ = 48_000
HOPS, FIRST = 6, 6
BANDS = len(COLOUR_EDGES_HZ) - 1
KNOWN = [LandingSound(2.0, (10.0,) * BANDS)] * ENOUGH


def rise(strength=1.0, colour_db=0.0):
    return Rise(0.0, strength, np.full(BANDS, colour_db), 1.0, 0.001)


def test_recalled_landings_are_a_measure_before_the_first_rep():
    fresh, told = Profile(), Profile()
    told.recall(KNOWN)
    assert not fresh.knows_landings(0)
    assert told.knows_landings(0)
    assert told.usual_strength(0) == pytest.approx(2.0, abs=1e-9)
    softer = told.level_beside_usual_db([rise(colour_db=4.0)], 0)
    assert softer == pytest.approx([-6.0], abs=1e-6)


def test_the_sessions_own_landings_take_their_place():
    told = Profile()
    told.recall(KNOWN)
    for rep in range(ENOUGH):
        told.learn_landing(rep, rise(3.0))
    assert told.usual_strength(99) == pytest.approx(3.0, abs=1e-9)
    assert [each.strength for each in told.landings] == [3.0] * ENOUGH


def test_recalled_landings_that_nothing_confirms_are_dropped():
    """Else a recording level turned down since would make the ear deaf for the whole session."""
    told = Profile()
    told.recall(KNOWN)
    for rep in range(RECALLED_REPS):
        assert told.knows_landings(rep)
        told.learn_landing(rep, None)
    assert not told.knows_landings(RECALLED_REPS)


def test_recalled_landings_lower_the_bar_that_noise_must_not_pass(monkeypatch):
    found = Rises((rise(0.3),), np.zeros(1), np.zeros(16_000), np.array([1.0]), 16, 64, np.zeros((12, 0)))
    told = Profile()
    told.recall(KNOWN)

    def leads(profile):
        for never in (0.0, 50.0):
            monkeypatch.setattr(decide, "NEVER_LANDED", never)
            yield decide.decide(found, -1.0, 0.0, 16_000.0, 16_000.0, profile, 0).lead

    assert np.diff(list(leads(Profile()))) == pytest.approx([50.0])
    assert np.diff(list(leads(told))) == pytest.approx([0.0])


def test_landings_in_other_bands_are_left_alone():
    told = Profile()
    told.recall([LandingSound(2.0, (1.0, 2.0))] * ENOUGH)
    assert not told.knows_landings(0)


# ---------------------------------------------------------------- against the simulator


def check_and_session(room, seed):
    """Six hops, then six reps of the same player in the same room: (right, wrong) without and with recalled hops."""
    reps = schedule(load_drill(*find_drill("random-contact")), seed)[: HOPS + FIRST]
    bank = build_bank((cue for rep in reps for cue in rep.cues), RATE_HZ, load_word)
    made = simulate_recording(reps, bank, room, seed, player=SimulatedPlayer(SKILLS["club"], seed))
    expected = expectations(reps, {rep.index: place_cues(rep, bank, RATE_HZ) for rep in reps}, RATE_HZ)
    check = Listener(RATE_HZ)
    listen(check, expected[:HOPS], made, 0, expected[HOPS - 1].closes + RATE_HZ // 4)
    truth = {each.rep: each.touchdown_at for each in made.truth}
    begin, end = expected[HOPS].opens - RATE_HZ // 2, len(made.recorded)
    counts = []
    for landings in ((), check.landings):
        heard = listen(Listener(RATE_HZ, landings=landings), expected[HOPS:], made, begin, end)
        counts.append(np.sum([judged(each, truth[each.rep]) for each in heard], axis=0))
    return counts


def listen(listener, expected, made, begin, end):
    for each in expected:
        listener.expect(each)
    heard = []
    for start in range(begin, end, 4800):
        stop = min(start + 4800, end)
        played = np.zeros((stop - start, 1), np.float32)
        there = made.played[start:stop]
        played[: len(there), 0] = there
        heard += listener.feed(Block(start, made.recorded[start:stop], played))
    return heard + listener.finish()


def judged(heard, touchdown_at):
    """(right, wrong): a landing within 50 ms, or none where there was none; a sound that was no landing."""
    if heard.landing is None:
        return (not heard.void and touchdown_at is None, False)
    right = touchdown_at is not None and abs(heard.landing.touchdown.at - touchdown_at) < 0.05 * RATE_HZ
    return right, not right


def test_on_the_simulator_nothing_gets_worse():
    """Each of its landings sounds different, so that there is nothing to gain; nothing may be lost either."""
    noisy = replace(PRESETS["dry"], snr_db=14.0)
    rooms = ((PRESETS["hall"], 1), (noisy, 1), (noisy, 2))
    without, told = np.sum([check_and_session(room, seed) for room, seed in rooms], axis=0)
    assert without[0] >= 2 * FIRST  # landings there are
    assert told[0] >= without[0]
    assert told[1] <= without[1]


# ---------------------------------------------------------------- against a player whose landings sound alike


def ball():
    """A ball that bounces beside the player: a hard knock, not a thud."""
    t = np.arange(4800) / RATE_HZ
    sound = np.exp(-t / 0.006) * (np.sin(2 * np.pi * 900 * t) + 0.6 * np.sin(2 * np.pi * 1900 * t))
    return 0.06 * sound / np.abs(sound).max()


def heard_of(scene, landings=()):
    """The scene's touchdowns in ms, and how its landings sounded."""
    listener = Listener(RATE_HZ, landings=landings)
    for expected in hearing_ranges(scene.marks, RATE_HZ):
        listener.expect(expected)
    heard = []
    for start in range(0, len(scene.heard), 2048):
        block = slice(start, start + 2048)
        sounds = (scene.heard[block].astype(np.float32), scene.played[block, None].astype(np.float32))
        heard += listener.feed(Block(start, *sounds))
    return touchdowns_ms(heard + listener.finish()), listener.landings


@pytest.mark.parametrize(("ball_ms", "gain"), [(150.0, 4.0), (-250.0, 2.0)])
def test_a_louder_ball_in_the_first_reps_is_told_from_a_landing_after_a_check(ball_ms, gain):
    _, landings = heard_of(practice())
    scene = practice(seed=1)
    for (_, contact, _, _), delay_ms in zip(scene.marks[:3], DELAYS_MS, strict=False):
        at = contact + round((LATENCY_S + (delay_ms + ball_ms) / 1e3) * RATE_HZ)
        scene.heard[at : at + 4800, 0] += gain * ball()
    without, _ = heard_of(scene)
    told, _ = heard_of(scene, landings)
    assert without[0] is None or abs(without[0] - DELAYS_MS[0]) > 50.0  # taken in, as anybody would be
    assert told == pytest.approx(DELAYS_MS, abs=1.0)
