"""Sessions put together for teaching are what the ear would have seen of them, and what was taught is what ships."""

from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="teaching the net needs PyTorch: pip install -e '.[train]'")

from drilltimer.hear.picture import BANDS  # noqa: E402
from tests.hearing.compose import PAD_HOPS, RATE_HZ, SAMPLES, Composer, keep_layers  # noqa: E402
from tests.hearing.lessons import STAGE_HOPS, TracedEar, hear_scene, lessons_of  # noqa: E402
from tests.hearing.stage import Settings, Sources, make_scene  # noqa: E402

REPS = 4
pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def scene():
    return make_scene(4, Sources(RATE_HZ), Settings(snr_db=20.0, microphone="usb", reps=REPS))


class LookingEar(TracedEar):
    """Keeps its looks."""

    def _decide(self, seen, rate_hz, rep):
        self.looks = {**getattr(self, "looks", {}), rep: seen}
        return super()._decide(seen, rate_hz, rep)


def logs(rows):
    return torch.from_numpy(np.log(np.maximum(rows, 1e-14)))[None]


def test_a_picture_drawn_on_the_accelerator_is_the_ear_s(scene):
    ear = LookingEar(scene.rate_hz, scene.rate_hz, scene, False)
    hear_scene(scene, ear, (-0.03, 0.03), 1)
    composer = Composer(torch, "cpu", 1)
    for rep, seen in ear.looks.items():
        picture, stage = ear.pictures[rep][0], ear.stages[rep]
        # The stage is the take less everybody in it; here nobody is taken away.
        hop = SAMPLES // STAGE_HOPS
        begin = (round((picture.first - 72) / hop) - PAD_HOPS) * hop
        low, high = max(0, begin), min(len(seen.residual), begin + SAMPLES)
        sound = np.zeros(SAMPLES, np.float32)
        sound[low - begin : high - begin] = seen.residual[low:high]
        there = torch.tensor([[low - begin, high - begin]])
        drawn = composer.draw(torch.from_numpy(sound)[None], there, logs(stage.own), logs(stage.left))[0].numpy()
        wanted = picture.columns()
        assert drawn.shape == wanted.shape
        # The ear whitens the whole take, longer by some hundred milliseconds.
        assert np.mean(np.abs(drawn - wanted)[:BANDS]) < 0.03
        assert np.corrcoef(drawn[:BANDS].ravel(), wanted[:BANDS].ravel())[0, 1] > 0.98
        assert drawn[BANDS : 3 * BANDS] == pytest.approx(wanted[BANDS : 3 * BANDS], abs=0.1)
        assert drawn[-2:] == pytest.approx(wanted[-2:], abs=1e-5)


def test_power_rises_where_the_truth_says(scene, tmp_path):
    lessons, stages = lessons_of(scene, 1)
    kept = keep_layers(scene.layers, stages, [lesson.allowed for lesson in lessons])
    path = Path(tmp_path / "layer000001.npz")
    np.savez(path, **{key: value[None] for key, value in kept.items()})
    composer = Composer(torch, "cpu", 2)
    composer.renew([path])
    columns, times, events = composer.sessions(24)
    assert columns.shape[:2] == times.shape[:2] == events.shape[:2] == (24, REPS)
    power = columns[:, :, :BANDS].mean(dim=2).numpy().reshape(-1, columns.shape[3])
    rises = []
    for row, first in zip(power, times[:, :, 0].flatten().tolist(), strict=True):
        if 20 < first < len(row) - 20:
            at = round(first)
            rises.append(row[at : at + 6].mean() - row[at - 12 : at - 3].mean())
    assert len(rises) > 50
    assert np.mean(np.array(rises) > 0.02) > 0.75  # the rest are faint, or under a step
    earlier = [row[at + 100 : at + 106].mean() - row[at + 88 : at + 97].mean() for row in power for at in (200, 300)]
    assert np.median(rises) > 3.0 * abs(np.median(earlier))


def test_an_empty_stage_is_empty(scene):
    """What is left of a take without the player's own sound has no landing in it."""
    _, stages = lessons_of(scene, 1)
    ear = TracedEar(scene.rate_hz, scene.rate_hz, scene, False)
    hear_scene(scene, ear, (-0.03, 0.03), 1)
    for landing in scene.truth["landings"]:
        picture, _, _, start = ear.pictures[landing["rep"]]
        place = list(ear.pictures).index(landing["rep"])
        at = round(landing["mic_s"] * RATE_HZ - start - picture.first) + PAD_HOPS * 16 + 72
        empty = np.square(stages[place].residual[at : at + 160]).mean()
        usual = np.nanmedian(np.square(stages[place].residual).reshape(-1, 16).mean(axis=1))
        full = np.square(scene.recorded[round(landing["mic_s"] * RATE_HZ) :][:160]).mean()
        assert empty < 3.0 * usual
        assert empty < 0.5 * full


def test_a_reader_ships_as_it_was_taught_and_can_be_taken_up_again(tmp_path):
    from drilltimer.hear.net import LIKENESSES, OWN_MARK, Reader
    from drilltimer.hear.picture import CHANNELS, FRAMES
    from tests.hearing.train import build_reader, export, take_up

    torch.manual_seed(1)
    taught, again = build_reader(torch), build_reader(torch)
    columns = torch.randn(3, CHANNELS, FRAMES)
    taught.first_stage(columns)  # so that what it normalises by is of something
    export(taught, tmp_path / "one.npz")
    with np.load(tmp_path / "one.npz") as file:
        weights = {name: file[name] for name in file.files}
    np.savez(tmp_path / "both.npz", **{f"1.{name}": value for name, value in weights.items()})
    take_up(torch, again, tmp_path / "both.npz", 1)
    allowed = np.arange(FRAMES) > 100
    shipped = Reader(weights).read(columns[0].numpy(), [], allowed)
    nothing = torch.zeros(1, LIKENESSES + OWN_MARK, FRAMES)
    for reader in (taught.eval(), again.eval()):
        with torch.no_grad():
            x, marks = reader.first_stage(columns[:1])
            maps, none, _ = reader.second_stage(x, nothing, torch.from_numpy(allowed)[None])
        assert marks[0].numpy() == pytest.approx(shipped.marks, abs=1e-4)
        assert maps[0, 0].numpy() == pytest.approx(shipped.first, abs=1e-4)
        assert float(none[0]) == pytest.approx(shipped.none, abs=1e-4)
