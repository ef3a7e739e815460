"""Two loudspeakers: contacts that one microphone tells apart, and a far lane whose delay is taken off."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.signal import butter, fftconvolve, sosfilt

from drilltimer.audio.files import find_drill
from drilltimer.drill.language import load_drill
from drilltimer.group import contacts
from drilltimer.group.events import ScoredRep
from drilltimer.group.language import read_group_plan
from drilltimer.group.run import LoadedPlan, conduct, open_hall, run_group
from drilltimer.group.timeline import lay_out
from drilltimer.hear.locate import locate_cue
from drilltimer.model import Grade, Heard, Landing, Onset, Placement, Rep, Window
from drilltimer.score.match import correction_ms, judge
from drilltimer.sim.acoustics import LEAD, microphone_sections, path_response
from drilltimer.sim.settings import PRESETS
from drilltimer.sound.render import render
from drilltimer.units import ratio_from_db

RATE_HZ = 48_000
ROOMS = ("quiet", "hall", "squash", "court")
APART_M = 10.0  # one court's loudspeaker and the next one's microphone
LAPTOP_BAND_HZ = 300.0, 7_000.0  # what a laptop's microphone with speech processing keeps, at worst


@cache
def sound_of(side, rate_hz=RATE_HZ):
    return render(contacts.SIDE_SOUNDS[side], rate_hz).samples.astype(float)


def greatest(one, other):
    """Greatest normalised cross-correlation over all lags, of the envelopes: whatever the phase."""
    size = 1 << int(len(one) + len(other)).bit_length()
    spectrum = np.fft.fft(one, size) * np.conj(np.fft.fft(other, size))
    spectrum[size // 2 :] = 0.0
    return float(np.abs(np.fft.ifft(2.0 * spectrum)).max() / np.sqrt(np.sum(one**2) * np.sum(other**2)))


@cache
def way(room, distance_m, seed):
    """From a loudspeaker to a microphone, the air's delay left out: `LEAD` is time zero."""
    return path_response(PRESETS[room], RATE_HZ, distance_m, seed, from_floor=False)


@cache
def heard_in(room, side, distance_m, seed):
    """A court's contact as the room's kind of microphone gets it; the direct sound keeps its level."""
    sound = fftconvolve(sound_of(side), way(room, distance_m, seed))
    sections = microphone_sections(PRESETS[room].microphone, RATE_HZ)
    return sound if sections is None else sosfilt(sections, sound)


# ---------------------------------------------------------------- hardly alike


@pytest.mark.parametrize("rate_hz", [16_000, 44_100, 48_000])
def test_the_two_contacts_do_not_resemble_each_other(rate_hz):
    left, right = sound_of("left", rate_hz), sound_of("right", rate_hz)
    assert 0.005 < greatest(left, right) < 0.03  # 0.023 to 0.025, measured
    assert greatest(left, left) == pytest.approx(1.0)


@pytest.mark.parametrize("rate_hz", [16_000, 44_100, 48_000])
def test_neither_do_they_in_a_laptop_s_band(rate_hz):
    sections = butter(4, LAPTOP_BAND_HZ, "bandpass", fs=rate_hz, output="sos")
    left, right = (sosfilt(sections, sound_of(side, rate_hz)) for side in ("left", "right"))
    assert greatest(left, right) < 0.03


@pytest.mark.parametrize("room", ROOMS)
@pytest.mark.parametrize("microphone", ["laptop", "phone", "flat"])
def test_no_room_makes_one_of_the_other(room, microphone):
    """A room weighs and delays what is there: what has a band of its own keeps it."""
    sections = microphone_sections(microphone, RATE_HZ)
    for seed, distance_m in enumerate((1.0, 4.0, 10.0)):
        heard = {}
        for side in ("left", "right"):
            heard[side] = fftconvolve(sound_of(side), way(room, distance_m, seed))
            heard[side] = heard[side] if sections is None else sosfilt(sections, heard[side])
        assert greatest(heard["left"], heard["right"]) < 0.06
        assert greatest(heard["left"], sound_of("right")) < 0.06
        assert greatest(heard["right"], sound_of("left")) < 0.06


# ---------------------------------------------------------------- never taken for each other


def both_heard(room, own, own_m, gains, apart_ms, seed):
    """One microphone before a court: its own contact at frame 20 000, the other court's `apart_ms` after it.

    `gains` are those of the own and of the other one, direct sound against direct sound. The noise is 34 dB below
    full scale, as both contacts' peaks are 1 dB below it where their gain is 1.
    """
    other = "right" if own == "left" else "left"
    heard = 0.02 * np.random.default_rng([seed, 9]).standard_normal(2 * RATE_HZ)
    for side, distance_m, gain, after_ms in ((own, own_m, gains[0], 0.0), (other, APART_M, gains[1], apart_ms)):
        place = 20_000 - LEAD + round(after_ms * RATE_HZ / 1000.0)
        sound = gain * heard_in(room, side, distance_m, seed % 5)[: RATE_HZ // 2]
        heard[place : place + len(sound)] += sound
    return heard


def draw(seed):
    """Distance of the own loudspeaker, how much louder the other one is, and how much later its contact comes."""
    rng = np.random.default_rng([seed, 3])
    return float(rng.choice([0.5, 1.0, 2.0])), ratio_from_db(rng.uniform(-10.0, 10.0)), rng.uniform(-40.0, 40.0)


@pytest.mark.parametrize("room", ROOMS)
@pytest.mark.parametrize("own", ["left", "right"])
def test_a_court_s_contact_is_located_whatever_the_other_court_plays(room, own):
    """Up to 10 dB louder, and within 40 ms of each other, either one first."""
    errors_ms = []
    for seed in range(30):
        own_m, louder, apart_ms = draw(seed)
        arrival = locate_cue(both_heard(room, own, own_m, (1.0, louder), apart_ms, seed), sound_of(own))
        assert arrival is not None
        assert arrival.heard(0.15), seed
        errors_ms.append((arrival.lag - 20_000) / 48.0)
    assert np.abs(errors_ms).max() < 0.25
    assert np.abs(np.median(errors_ms)) < 0.05


@pytest.mark.long
@pytest.mark.parametrize("room", ROOMS)
@pytest.mark.parametrize("own", ["left", "right"])
def test_the_other_court_s_contact_alone_is_not_taken_for_one_s_own(room, own):
    """A contact that is withheld on one court, while the other court's sounds, 10 dB above its own loudness."""
    for seed in range(30):
        own_m, _, apart_ms = draw(seed)
        arrival = locate_cue(both_heard(room, own, own_m, (0.0, ratio_from_db(10.0)), apart_ms, seed), sound_of(own))
        assert arrival is not None
        assert not arrival.heard(), seed
        assert arrival.share < 0.06, seed  # one's own never had less than 0.17, in the test above


# ---------------------------------------------------------------- the far lane's way


def test_the_far_lane_s_way_is_taken_off():
    """By hand: 12 m from loudspeaker to player, 2 m to the microphone, 4 m from one to the other: 10 m, 29.14 ms."""
    rep = Rep(0, 0.0, 2.0, 1.0, (), None, Window(100.0, 160.0, 220.0))
    heard = Heard(0, Onset(48_000.0, 0.0, 0.1), True, Landing(Onset(48_000.0 + 48 * 189.14, -20.0, 0.3)))
    near = judge(heard, rep, Placement(2.0, 2.0, 4.0), RATE_HZ)
    far = judge(heard, rep, Placement(12.0, 2.0, 4.0), RATE_HZ)
    assert near.touchdown_ms == pytest.approx(189.14, abs=0.01)
    assert far.touchdown_ms == pytest.approx(160.0, abs=0.02)
    assert far.grade is Grade.ON_TIME


TWO_COURTS = """\
name: Two courts
players: [near, far]
stations:
  - name: left court
    drill: steady-contact
    side: left
    microphone: 1
    place: {speaker_m: 2, microphone_m: 2, speaker_to_microphone_m: 1}
  - name: right court
    drill: steady-contact
    side: right
    microphone: 2
    place: {speaker_m: 9, microphone_m: 2, speaker_to_microphone_m: 1}
rounds: 1
work_s: 45
rotation: [[1, 2]]
lane_gap_m: 10
"""


@pytest.mark.long
def test_a_player_s_score_is_the_same_on_the_near_and_on_the_far_court():
    """Players without spread land in the middle of their window, the far one 20.4 ms later: 7 m at 343.2 m/s."""
    plan, tree = read_group_plan(TWO_COURTS, "courts.yaml")
    drills = {"steady-contact": load_drill(*find_drill("steady-contact"))}
    session = conduct(LoadedPlan("courts.yaml", tree, plan, drills, lay_out(plan)), RATE_HZ, 3)
    events = []
    outcome = run_group(
        session, open_hall(session, 3, "metronome", 0.0), on_event=events.append, on_trouble=pytest.fail
    )
    assert outcome.fault is None
    errors_ms = [[], []]
    for each in events:
        if isinstance(each, ScoredRep) and each.verdict.touchdown_ms is not None:
            errors_ms[each.station].append(each.verdict.touchdown_ms - each.rep.window.centre_ms)
    assert min(map(len, errors_ms)) >= 4
    near, far = (float(np.median(each)) for each in errors_ms)
    assert (near, far) == pytest.approx((0.0, 0.0), abs=1.5)
    near, far = (correction_ms(station.placement) for station in plan.stations)
    assert far - near == pytest.approx(7.0 / 343.2 * 1000.0, abs=0.01)
