"""The simulated room against closed forms: what is measured here in its sound must be what its truth says."""

import math
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from recorded import simulate_recording
from scipy.signal import butter, sosfilt, sosfreqz

from drilltimer.model import Cue, Placement, Rep, Sound, Window
from drilltimer.sim.acoustics import LEAD, microphone_sections, path_response
from drilltimer.sim.air import Way
from drilltimer.sim.convolve import StepConvolver
from drilltimer.sim.impacts import DISTRACTORS, FLOORS, foot_strike
from drilltimer.sim.noise import NoiseSource
from drilltimer.sim.player import SKILLS, SimulatedPlayer
from drilltimer.sim.recorder import Recorder
from drilltimer.sim.room import SimulatedRoom, _Losses
from drilltimer.sim.settings import PRESETS, RoomSettings

RATE = 48000
SPEED_M_S = 343.2  # at 20 °C, ISO 9613-1
PLACE = Placement(speaker_to_player_m=4.0, player_to_mic_m=3.0, speaker_to_mic_m=0.5, air_c=20.0)
# Nothing but delays: no walls, no floor echo strong enough to matter, no noise, no colouring.
BARE = RoomSettings(
    "bare", None, 0.0, snr_db=200.0, microphone="flat", loudspeaker_hz=0.0, placement=PLACE, round_trip_s=0.1
)
MUTE = replace(BARE, loudspeaker_db=-300.0)


def burst():
    """A click of 1.5-6 kHz, the kind of sound that cross-correlates sharply."""
    noise = np.random.default_rng(1).standard_normal(1200) * np.exp(-np.arange(1200) / 300)
    band = butter(4, (1500.0, 6000.0), "bandpass", fs=RATE, output="sos")
    return Sound("burst", (0.1 * sosfilt(band, noise)).astype(np.float32), RATE)


BURST = burst()
BANK = {("burst", None): BURST}


def a_rep(index, start_s=None, *, withheld=False):
    start_s = 0.5 + 2.0 * index if start_s is None else start_s
    cues = () if withheld else (Cue("contact", "burst", 0.5),)
    return Rep(index, start_s, start_s + 2.0, start_s + 0.5, cues, None, Window(73.0, 133.0, 193.0), withheld=withheld)


def run(settings, reps=(), *, seconds=None, skill="metronome", seed=3, **how):
    """Play each rep's contact half a second before it starts; return room, heard, blocks."""
    room = SimulatedRoom(settings, SimulatedPlayer(SKILLS[skill], seed), seed, rate_hz=RATE, **how)
    room.start()
    waiting = list(reps)
    end = round(RATE * (seconds or (reps[-1].end_s + 0.5)))
    blocks, position = [], 0
    while position < end:
        while waiting and (waiting[0].start_s - 0.5) * RATE <= position:
            rep = waiting.pop(0)
            for cue in rep.cues:
                room.play(round((rep.start_s + cue.at_s) * RATE), BURST, cue, rep)
        blocks.append(room.read())
        position += len(blocks[-1].samples)
    return room, np.concatenate([block.samples for block in blocks])[:end], blocks


def arrival(signal, pattern, near, reach=60):
    """Fractional frame at which `pattern` begins in `signal`, by the peak of its cross-correlation."""
    centre = round(near)
    part = signal[centre - reach : centre + reach + len(pattern)].astype(float)
    correlation = np.correlate(part, pattern.astype(float), "valid")
    fine = 64  # band-limited interpolation: the parabola through raw frames would be wrong by 0.02 frame
    spectrum = np.fft.rfft(correlation)
    padded = np.zeros(fine * (len(correlation) // 2) + 1, complex)
    padded[: len(spectrum)] = spectrum
    dense = np.fft.irfft(padded, fine * len(correlation))
    return centre - reach + float(np.argmax(dense)) / fine


def stretched(pattern, frames_per_frame):
    """`pattern` as a clock that counts `frames_per_frame` frames for each of ours would sample it."""
    places = np.arange(0.0, len(pattern) - 1, 1.0 / frames_per_frame)
    return np.array([np.sum(pattern * np.sinc(place - np.arange(len(pattern)))) for place in places])


def in_band(signal):
    return sosfilt(butter(2, (40.0, 4000.0), "bandpass", fs=RATE, output="sos"), signal)


@pytest.mark.parametrize("round_trip_s", [0.005, 0.0371, 0.3])
def test_a_contact_arrives_after_round_trip_and_air(round_trip_s):
    room, heard, _ = run(replace(BARE, round_trip_s=round_trip_s), [a_rep(0)])
    by_hand = 1.0 * RATE + round(round_trip_s * RATE) + 0.5 / SPEED_M_S * RATE
    assert room.truth[0].contact_at == pytest.approx(by_hand, abs=1e-6)
    assert arrival(heard[:, 0], BURST.samples, by_hand) == pytest.approx(by_hand, abs=0.05)  # 0.001 ms


def test_a_landing_arrives_after_the_air_to_the_player_and_back():
    room, heard, _ = run(MUTE, [a_rep(0)])
    by_hand = 1.0 * RATE + 0.1 * RATE + (7.0 / SPEED_M_S + 0.133) * RATE
    truth = room.truth[0]
    assert truth.touchdown_at == pytest.approx(by_hand, abs=1e-6)
    assert truth.touchdown_ms == pytest.approx(133.0, abs=1e-6)
    assert truth.second_touchdown_at - truth.touchdown_at == pytest.approx(0.025 * RATE, abs=1e-6)
    mono = np.abs(heard[:, 0].astype(float))
    first = math.floor(by_hand)
    peak = mono.max()
    assert mono[: first - 3].max() < 1e-3 * peak  # nothing before the touchdown but the flank of a fractional delay
    assert mono[first : first + 48].max() > 1e-2 * peak  # and a rise within a millisecond


def test_moving_the_player_by_a_fraction_of_a_frame_moves_the_sound_by_it():
    further = replace(PLACE, player_to_mic_m=PLACE.player_to_mic_m + 0.0051)
    _, here, _ = run(MUTE, [a_rep(0)])
    _, there, _ = run(replace(MUTE, placement=further), [a_rep(0)])
    start = math.floor(1.1 * RATE + (7.0 / SPEED_M_S + 0.133) * RATE)
    pattern = here[start - 200 : start + 4000, 0]
    moved = arrival(there[:, 0], pattern, start - 200) - (start - 200)
    assert moved == pytest.approx(0.0051 / SPEED_M_S * RATE, abs=0.05)


def test_the_longer_the_round_trip_the_later_the_very_same_sound():
    quick = replace(BARE, round_trip_s=0.005, snr_db=200.0)
    _, early, _ = run(quick, [a_rep(0)])
    _, late, _ = run(replace(quick, round_trip_s=0.255), [a_rep(0)])
    shift = round(0.25 * RATE)
    assert np.abs(early).max() > 0.01
    np.testing.assert_allclose(late[shift:], early[:-shift], atol=1e-7)


@pytest.mark.long
@pytest.mark.parametrize("preset", ["hall", "windy", "club"])
def test_what_is_heard_does_not_depend_on_the_blocks(preset):
    faulty = replace(PRESETS[preset], lost_per_min=40.0, clock_ppm=150.0, gain_control=True, input_channels=2)
    reps = [a_rep(0), a_rep(1)]
    whole_room, whole, _ = run(faulty, reps, skill="novice", block_frames=4096)
    for sizes in (64, (1, 777, 2048, 5000)):
        room, cut, blocks = run(faulty, reps, skill="novice", block_frames=sizes)
        np.testing.assert_array_equal(cut, whole)
        assert [truth.touchdown_at for truth in room.truth] == [truth.touchdown_at for truth in whole_room.truth]
        assert [block.start for block in blocks] == list(np.cumsum([0, *(len(b.samples) for b in blocks)])[:-1])


def test_the_same_seed_gives_the_same_sound_and_another_seed_another():
    _, once, _ = run(PRESETS["court"], [a_rep(0)])
    _, again, _ = run(PRESETS["court"], [a_rep(0)])
    _, other, _ = run(PRESETS["court"], [a_rep(0)], seed=4)
    np.testing.assert_array_equal(once, again)
    assert np.abs(once - other).max() > 0.01


def test_a_withheld_rep_has_a_truth_without_a_contact():
    precue = Cue("precue", "burst", 0.0)
    rep = replace(a_rep(0, withheld=True), cues=(precue,))
    room, _, _ = run(BARE, [rep], skill="novice", seed=11)
    (truth,) = room.truth
    assert truth.contact_at is None
    assert truth.withheld
    if truth.touchdown_at is not None:  # the contact that never came would have come at 1.0 s
        contact = 1.1 * RATE + 4.0 / SPEED_M_S * RATE
        assert truth.touchdown_at == pytest.approx(
            contact + 3.0 / SPEED_M_S * RATE + truth.touchdown_ms * RATE / 1000.0, abs=1e-6
        )


@pytest.mark.parametrize(("size_m", "rt60_s"), [((8.0, 6.0, 3.0), 0.4), ((20.0, 12.0, 8.0), 1.5)])
@pytest.mark.parametrize("from_floor", [True, False])
def test_a_room_dies_away_by_its_reverberation_time(size_m, rt60_s, from_floor):
    settings = RoomSettings(size_m=size_m, rt60_s=rt60_s)
    response = path_response(settings, RATE, 4.0, 7, from_floor=from_floor)
    low = sosfilt(butter(4, (125.0, 1000.0), "bandpass", fs=RATE, output="sos"), response)
    left_db = 10.0 * np.log10(np.cumsum(low[::-1] ** 2)[::-1] / np.sum(low**2) + 1e-30)
    at_5, at_25 = (int(np.argmax(left_db < level_db)) for level_db in (-5.0, -25.0))
    assert 3.0 * (at_25 - at_5) / RATE == pytest.approx(rt60_s, rel=0.15)  # Schroeder's T20


def test_early_reflections_and_tail_carry_the_same_energy_where_they_meet():
    settings = RoomSettings(size_m=(20.0, 12.0, 8.0), rt60_s=1.5)
    energies_db = []
    for seed in range(30):
        response = path_response(settings, RATE, 4.0, seed, from_floor=False)
        meet = LEAD + round(0.06 * RATE)
        before, after = response[meet - 1200 : meet], response[meet : meet + 1200]
        energies_db.append(10.0 * np.log10(np.sum(after**2) / np.sum(before**2)))
    # 25 ms of a 1.5 s decay are 1 dB, the treble's faster decay takes another; images come in clumps
    assert np.mean(energies_db) == pytest.approx(-2.0, abs=1.5)


def test_the_direct_sound_comes_first_and_is_one():
    for preset in PRESETS.values():
        response = path_response(preset, RATE, 3.0, 2, from_floor=True)
        assert response[LEAD] == pytest.approx(1.0, abs=0.02)
        assert np.abs(response[: LEAD - 1]).max(initial=0.0) < 1e-6


@pytest.mark.parametrize(("microphone", "corner_hz"), [("laptop", 150.0), ("phone", 80.0), ("usb", 40.0)])
def test_microphones_roll_off_where_they_should(microphone, corner_hz):
    _, response = sosfreqz(microphone_sections(microphone, RATE), [corner_hz / 4.0, corner_hz, 2000.0], fs=RATE)
    gains_db = 20.0 * np.log10(np.abs(response))
    assert gains_db == pytest.approx([-24.1, -3.01, 0.0], abs=0.1)


@pytest.mark.parametrize("noise", ["pink", "rumble", "crowd"])
def test_noise_lies_as_far_under_the_landing_as_stated(noise):
    settings = replace(BARE, snr_db=20.0, noise=((noise, 1.0),), placement=PLACE, microphone="laptop")
    _, heard, _ = run(settings, seconds=20.0)
    level_db = 20.0 * np.log10(np.sqrt(np.mean(in_band(heard[:, 0]) ** 2)))
    assert level_db == pytest.approx(settings.landing_db - 20.0, abs=1.5)


def test_pink_noise_falls_by_3_db_per_octave():
    pink = NoiseSource("pink", RATE, (1,)).take(60 * RATE)
    levels_db = []
    for low_hz in (50.0, 200.0, 800.0, 3200.0):  # equal energy in bands of equal ratio
        band = butter(4, (low_hz, 2.0 * low_hz), "bandpass", fs=RATE, output="sos")
        levels_db.append(10.0 * np.log10(np.mean(sosfilt(band, pink) ** 2)))
    assert np.ptp(levels_db) < 1.0


def test_each_landings_own_signal_to_noise_ratio_is_what_is_heard():
    settings = replace(BARE, snr_db=40.0, loudspeaker_db=-300.0)
    room, heard, _ = run(settings, [a_rep(i) for i in range(4)])
    noise = np.sqrt(np.mean(in_band(heard[: RATE // 2, 0]) ** 2))
    for truth in room.truth:
        start = round(truth.touchdown_at)
        only_first = in_band(heard[:, 0])[start : start + round(0.024 * RATE)]
        measured_db = 20.0 * np.log10(np.abs(only_first).max() / noise)
        # the foot's peak may lie behind the second foot's touchdown, so the first 24 ms show it or less
        assert measured_db < truth.snr_db + 1.5
    loudest = max(room.truth, key=lambda truth: truth.snr_db)
    start = round(loudest.touchdown_at)
    peak = np.abs(in_band(heard[:, 0])[start : start + round(0.3 * RATE)]).max()
    expected_db = max(loudest.snr_db, loudest.second_snr_db)
    assert 20.0 * np.log10(peak / noise) == pytest.approx(expected_db, abs=3.0)


def test_a_fast_microphone_clock_stretches_the_recording():
    settings = replace(BARE, clock_ppm=200.0, round_trip_s=0.2)
    room, heard, _ = run(settings, [a_rep(0), a_rep(14)])
    first, last = room.truth
    assert (last.contact_at - first.contact_at) / (28.0 * RATE) == pytest.approx(1.0 + 200e-6, abs=1e-9)
    pattern = stretched(BURST.samples, 1.0 + 200e-6)
    for truth in (first, last):
        assert arrival(heard[:, 0], pattern, truth.contact_at) == pytest.approx(truth.contact_at, abs=0.05)


@pytest.mark.long
@pytest.mark.parametrize("clock_ppm", [-3000.0, 3000.0])
def test_clocks_that_run_apart_end_in_a_flagged_fault_and_truth_survives_it(clock_ppm):
    settings = replace(BARE, clock_ppm=clock_ppm, round_trip_s=0.04)
    room, heard, blocks = run(settings, [a_rep(i) for i in range(15)])
    assert room.health().xruns == sum(block.xrun for block in blocks) > 0
    trips = []
    pattern = stretched(BURST.samples, 1.0 + clock_ppm * 1e-6)
    for truth in room.truth:
        assert arrival(heard[:, 0], pattern, truth.contact_at) == pytest.approx(truth.contact_at, abs=0.05)
        trips.append(truth.contact_at - (1.0 + 2.0 * truth.rep) * RATE)
    assert min(trips) > 0.0
    assert max(trips) < 3.2 * 0.04 * RATE


@pytest.mark.parametrize("flagged", [True, False])
def test_lost_blocks_shift_what_follows_and_are_flagged_or_not(flagged):
    settings = replace(BARE, lost_per_min=30.0, lost_frames=1000, lost_flagged=flagged)
    reps = [a_rep(i) for i in range(10)]
    room, heard, blocks = run(settings, reps)
    sound, _, _ = run(replace(settings, lost_per_min=0.0), reps)
    assert any(block.xrun for block in blocks) is flagged
    gaps = []
    for truth, whole in zip(room.truth, sound.truth, strict=True):
        gaps.append((whole.touchdown_at - whole.contact_at) - (truth.touchdown_at - truth.contact_at))
        assert truth.touchdown_ms == pytest.approx(whole.touchdown_ms, abs=1e-6)  # the player lost nothing
        if truth.contact_at == whole.contact_at:
            assert arrival(heard[:, 0], BURST.samples, truth.contact_at) == pytest.approx(truth.contact_at, abs=0.05)
    assert gaps == pytest.approx([1000.0 * round(gap / 1000.0) for gap in gaps], abs=1e-6)


def test_too_high_a_recording_level_clips_at_full_scale():
    _, heard, _ = run(replace(BARE, input_gain_db=60.0), [a_rep(0)])
    assert np.abs(heard).max() == 1.0
    assert np.count_nonzero(np.abs(heard) == 1.0) > 20


def test_gain_control_brings_loud_and_soft_closer_together():
    controlled = replace(BARE, snr_db=30.0, gain_control=True)
    _, plain, _ = run(replace(controlled, gain_control=False), [a_rep(0)])
    _, heard, _ = run(controlled, [a_rep(0)])
    quiet = slice(round(0.9 * RATE), round(1.0 * RATE))

    def span_db(samples):
        return 20.0 * np.log10(np.abs(samples).max() / np.sqrt(np.mean(samples[quiet] ** 2)))

    assert span_db(plain) - span_db(heard) > 3.0


def test_further_microphones_hear_later_and_softer_and_have_their_own_noise():
    settings = replace(BARE, input_channels=2, microphone_gap_m=1.0, loudspeaker_hz=0.0)
    room, heard, _ = run(settings, [a_rep(0)])
    near = arrival(heard[:, 0], BURST.samples, room.truth[0].contact_at)
    far = arrival(heard[:, 1], BURST.samples, room.truth[0].contact_at + RATE / SPEED_M_S)
    assert far - near == pytest.approx(RATE / SPEED_M_S, abs=0.05)
    _, feet, _ = run(replace(settings, loudspeaker_db=-300.0), [a_rep(0)])
    start = math.floor(room.truth[0].touchdown_at) - 100
    pattern = feet[start : start + 3000, 0]
    later = arrival(feet[:, 1], pattern, start + RATE / SPEED_M_S) - start
    assert later == pytest.approx(RATE / SPEED_M_S, abs=0.05)
    assert np.abs(feet[:, 1]).max() == pytest.approx(np.abs(feet[:, 0]).max() * 3.0 / 4.0, rel=0.01)  # 3 m, 4 m
    _, noise, _ = run(replace(settings, snr_db=10.0), seconds=4.0)
    assert abs(np.corrcoef(noise.T)[0, 1]) < 0.2


def test_distractors_come_at_the_stated_rate_where_truth_says():
    settings = replace(MUTE, distractors_per_min=60.0, distractor_kinds=("clap", "strike"))
    room, heard, _ = run(settings, seconds=60.0)
    heard_ones = [each for each in room.distractors if each.at < len(heard) - 100]
    assert 60 - 25 < len(heard_ones) < 60 + 25  # Poisson, three standard deviations
    for each in heard_ones[:5]:
        start = round(each.at)
        peak = np.abs(in_band(heard[:, 0]))[start : start + 2000].max()
        assert 20.0 * np.log10(peak) == pytest.approx(settings.landing_db + each.level_db, abs=4.0)
        assert np.abs(heard[start : start + 100]).max() > 10.0 * np.abs(heard[start - 40 : start - 1]).max()


def test_the_next_court_plays_our_cue_once_it_knows_it():
    settings = replace(MUTE, distractors_per_min=60.0, distractor_kinds=("cue",))
    room, heard, _ = run(settings, [a_rep(5)])
    known = 10.0 * RATE  # handed over half a second before the rep begins
    echoes = [each for each in room.distractors if each.at < len(heard) - 2000]
    assert len(echoes) >= 1
    assert min(each.at for each in echoes) > known
    for each in echoes:
        assert arrival(heard[:, 0], BURST.samples, each.at) == pytest.approx(each.at, abs=0.1)


@pytest.mark.parametrize("surface", sorted(FLOORS))
def test_feet_begin_at_their_first_frame_and_live_where_feet_do(surface):
    for seed in range(6):
        wave = foot_strike(RATE, surface, np.random.default_rng(seed))
        assert abs(wave[0]) < 0.05
        assert np.abs(wave[:144]).max() > 0.05  # a rise within 3 ms
        assert np.abs(wave).max() == 1.0
        assert abs(wave[-1]) < 1e-6
        energy = np.abs(np.fft.rfft(wave)) ** 2
        frequency_hz = np.fft.rfftfreq(len(wave), 1.0 / RATE)
        assert energy[(frequency_hz > 20.0) & (frequency_hz < 3500.0)].sum() > 0.85 * energy.sum()


@pytest.mark.long
def test_feet_begin_as_softly_as_recorded_ones():
    """From the first sample to 12 and 50 % of the peak, median and third quartile of 13 recorded feet, in ms.

    They are the steps and landings of open games that the development scenes are made of, cut at their first arrival
    over a floor of -48 dB, measured 2026-11-25 as here.
    """
    recorded = np.array([[0.42, 2.25], [0.54, 3.4]])
    band = butter(2, (40.0, 7000.0), "bandpass", fs=RATE, output="sos")
    risen = []
    for seed in range(150):
        size = np.abs(sosfilt(band, foot_strike(RATE, ("hard", "wood", "clay")[seed % 3], np.random.default_rng(seed))))
        risen.append([1e3 * np.argmax(size > share * size.max()) / RATE for share in (0.12, 0.5)])
    assert np.quantile(risen, (0.5, 0.75), axis=0) == pytest.approx(recorded, rel=0.4)


@pytest.mark.parametrize("kind", sorted(DISTRACTORS))
@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_distractors_are_sounds_at_any_rate(kind, rate_hz):
    wave = DISTRACTORS[kind](rate_hz, np.random.default_rng(1))
    assert 0.02 < len(wave) / rate_hz < 0.7
    assert np.abs(wave).max() == pytest.approx(1.0)


def test_a_sound_of_any_length_finds_its_way():
    way = Way(BARE, RATE, 3.0, 1, [(0.0, 1.0)])
    transform = 4096
    response = transform - len(way.carry(np.ones(1), 0.0)) + 1  # so long a clip fills the transform to its last sample
    for frames in range(response - LEAD, response + 2):
        arriving = way.carry(np.ones(frames), 0.0)[:, 0]
        assert np.flatnonzero(np.abs(arriving) > 0.5)[[0, -1]] == pytest.approx([LEAD, LEAD + frames - 1], abs=0)


@pytest.mark.parametrize("step", [64, 1024, 4096])
@pytest.mark.parametrize("taps", [300, 4096, 9000])
def test_convolution_by_steps_is_convolution(step, taps):
    rng = np.random.default_rng(2)
    response = rng.standard_normal((taps, 2))
    signal = rng.standard_normal(24576)
    signal[5000:12000] = 0.0  # silence takes another way through the code
    convolver = StepConvolver(response, step)
    answers = [convolver.push(signal[start : start + step]) for start in range(0, len(signal), step)]
    heard = np.concatenate([np.zeros((step, 2)) if answer is None else answer for answer in answers])
    for channel in range(2):
        np.testing.assert_allclose(
            heard[:, channel], np.convolve(signal, response[:, channel])[: len(signal)], atol=1e-9
        )


@pytest.mark.parametrize(
    ("offset_s", "skew_ppm", "recorder_rate_hz"), [(3.21, 0.0, 48000), (-0.4, -120.0, 48000), (0.5, 300.0, 44100)]
)
def test_a_recording_follows_its_clock(offset_s, skew_ppm, recorder_rate_hz):
    settings = replace(BARE, clock_ppm=skew_ppm)
    made = simulate_recording(
        [a_rep(0), a_rep(6)],
        BANK,
        settings,
        5,
        player=SimulatedPlayer(SKILLS["metronome"]),
        offset_s=offset_s,
        recorder_rate_hz=recorder_rate_hz,
    )
    pattern = stretched(BURST.samples, (1.0 + skew_ppm * 1e-6) * recorder_rate_hz / RATE)
    for truth, played_s in zip(made.truth, (1.0, 13.0), strict=True):
        assert np.any(made.played[round(played_s * RATE) : round(played_s * RATE) + 1200])
        emitted = (played_s + offset_s + 0.5 / SPEED_M_S) * (1.0 + skew_ppm * 1e-6) * recorder_rate_hz
        assert truth.contact_at == pytest.approx(emitted, abs=1e-4)
        assert truth.touchdown_ms == pytest.approx(133.0, abs=1e-6)
        assert arrival(made.recorded[:, 0], pattern, emitted) == pytest.approx(emitted, abs=0.05)


@pytest.mark.parametrize("slope", [1.0 - 150e-6, 1.0 / (1.0 + 300e-6), 48000 / 44100])
def test_resampling_is_true_to_100_db(slope):
    position = [0]

    def render():
        frames = np.arange(position[0], position[0] + 4096)
        position[0] += 4096
        return np.sin(0.7 * frames)[:, np.newaxis]  # 5.3 kHz

    recorder = Recorder(render, BARE, 100.25, slope)
    taken = np.concatenate([recorder.record(1024) for _ in range(20)])[:, 0]
    ideal = np.sin(0.7 * (100.25 + slope * np.arange(20480)))
    error_db = 20.0 * np.log10(np.abs(taken - ideal).max())
    assert -150.0 < error_db < -100.0


def test_what_falls_into_a_gap_is_placed_at_its_edge():
    recorder = Recorder(lambda: np.zeros((64, 1)), BARE, 0.0, 1.0)
    recorder.record(640)
    recorder.skip(100)
    recorder.record(640)
    recorder.pad(64)
    recorder.record(64)
    assert recorder.frame_of(639.5) == 639.5
    assert recorder.frame_of(700.0) == 640.0  # lost
    assert recorder.frame_of(741.0) == 641.0
    assert recorder.frame_of(1379.0) == 1279.0
    assert recorder.frame_of(1381.0) == 1345.0  # after the card's own silence


def test_a_frame_right_after_a_loss_comes_after_it():
    losses = _Losses(replace(BARE, lost_per_min=60.0, lost_frames=100), RATE, 1, 64)
    first, second = losses.between(0, 60 * RATE)[:2]
    assert [losses.lost_before(frame) for frame in (first - 1, first, second - 1, second)] == [0, 100, 100, 200]


def test_reading_is_paced_by_the_given_clock():
    time_s = [100.0]
    waits_s = []

    def sleep(wait_s):
        waits_s.append(wait_s)
        time_s[0] += wait_s

    room = SimulatedRoom(BARE, block_frames=480, speed=2.0, now=lambda: time_s[0], sleep=sleep)
    room.start()
    for _ in range(200):  # two seconds of sound at double speed
        room.read()
    assert time_s[0] - 100.0 == pytest.approx(1.0, abs=1e-6)
    assert waits_s == pytest.approx([0.005] * 200, abs=1e-9)


@pytest.mark.long
def test_memory_stays_flat():
    room = SimulatedRoom(replace(PRESETS["club"], clock_ppm=50.0, lost_per_min=5.0))
    tracemalloc.start()
    sizes = []
    for _ in range(2):
        for _ in range(1000):
            room.read()
        sizes.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    # 21 s of sound would be 8 MB in double precision; 0.2 MB are a noise step and a gathered block more or less
    assert sizes[1] - sizes[0] == pytest.approx(0.0, abs=200_000)


def test_a_round_trip_no_sound_card_has_is_refused():
    with pytest.raises(ValueError, match=r"round trip of 0\.001 s"):
        SimulatedRoom(replace(BARE, round_trip_s=0.001))


def test_closing_twice_and_health_before_the_start_are_harmless():
    room = SimulatedRoom(BARE)
    assert room.health().blocks == 0
    room.close()
    room.close()
