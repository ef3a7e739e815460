"""Teaches the readers of a rep (`hear/net.py`). PyTorch is the extra `train`; nothing at run time needs it.

    python -m tests.hearing.sources --out SOUNDS                  recorded sounds of Debian's packages, split by package
    python -m tests.hearing.train pack SOUNDS fit.npz --split fit
    python -m tests.hearing.train scenes fit.npz SCENES --count 12000   made scenes as the ear sees them
    python -m tests.hearing.train fit SCENES one.npz --number 0   one reader, from a fixed seed;
    python -m tests.hearing.train fit SCENES two.npz --number 1   with --start landing.npz it goes on from what ships
    python -m tests.hearing.train join fit.npz one.npz two.npz landing.npz
    python -m tests.hearing.report choose.npz --split choose      thresholds and lateness are chosen here
    python -m tests.hearing.report report.npz --split report      and this is looked at once

`fit` needs an accelerator to end within minutes; two run on one at once, while scenes still come. Scenes are of the
split `fit` alone; `choose` and `report` are asked by `tests.hearing.report`.
"""

from __future__ import annotations

import json
import math
import os
import time
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from dataclasses import replace
from functools import partial
from pathlib import Path

import click
import numpy as np

from drilltimer.hear.decide import LEAST_BELIEF, NEAR_S
from drilltimer.hear.net import COARSE, LIKENESSES, MANY, MAPS, OWN_MARK, READERS, TAPS
from drilltimer.hear.picture import BANDS, CHANNELS, COLUMN_S, FINE, FRAMES, LEAST, MOST, NEPERS

RATES_HZ = (16_000, 14_700)
WIDTH, HIDDEN = 48, 112
WIDE, WIDE_HIDDEN = 96, 192  # of the blocks `b`
DILATIONS = {"a": (1, 2, 4), "b": (1, 2, 4, 8, 16, 32), "c": (1, 4)}  # in the columns that each stage's blocks see
LAYERS = ("seen", "mark", "known", "coarse", "fine", "out", "none")
REPS = 14
COMPOSED = 512  # sessions put together that are kept, to be seen more than once
MARK_LATER = 2  # columns after a touchdown at which its mark is taken
NONE_S2 = (2, 48)  # columns after the first foot in which a second may lie
STEP_COLUMNS = (60, 310)


@click.group()
def main() -> None:
    """Make scenes and fit the net."""


@main.command()
@click.argument("sources", type=Path)
@click.argument("out", type=Path)
@click.option("--split", default=None, help="This one alone.")
@click.option("--longest-bed", default=6.0, help="Seconds kept of each bed.")
def pack(sources: Path, out: Path, split: str | None, longest_bed: float) -> None:
    """Recorded sounds at 16 kHz in one file, with their splits."""
    import soundfile
    from scipy.signal import resample_poly

    arrays, index = {}, []
    for entry in json.loads((sources / "index.json").read_text()):
        if split not in (None, entry["split"]):
            continue
        samples, rate_hz = soundfile.read(sources / entry["file"], always_2d=True)
        wave = samples.mean(axis=1)
        common = math.gcd(16_000, rate_hz)
        wave = resample_poly(wave, 16_000 // common, rate_hz // common)
        if entry["kind"] == "bed":
            wave = wave[: round(longest_bed * 16_000)]
        peak = float(np.abs(wave).max(initial=0.0))
        if peak < 1e-4 or len(wave) < 160:
            continue
        arrays[f"s{len(index)}"] = np.round(wave / peak * 32767.0).astype(np.int16)
        index.append({key: entry[key] for key in ("kind", "package", "family", "split", "stem")})
    np.savez_compressed(out, index=np.array(json.dumps(index)), **arrays)
    click.echo(f"{len(index)} sounds, {out.stat().st_size / 1e6:.1f} MB")


def read_pack(path: Path, split: str, rate_hz: int):
    """The sounds of one split at a rate, as `stage.Sources`."""
    from scipy.signal import resample_poly

    from tests.hearing.stage import Clip, Sources, cut_thud

    kinds: dict[str, list[Clip]] = {"foot": [], "thud": [], "impact": [], "voice": [], "bed": []}
    with np.load(path) as file:
        for number, entry in enumerate(json.loads(str(file["index"]))):
            if entry["split"] != split:
                continue
            wave = file[f"s{number}"] / 32767.0
            if rate_hz != 16_000:
                common = math.gcd(rate_hz, 16_000)
                wave = resample_poly(wave, rate_hz // common, 16_000 // common)
            family = entry["family"] if entry["kind"] == "bed" else f"{entry['package']}:{entry['family']}"
            kinds[entry["kind"]].append(Clip(wave, family))
            if entry["kind"] == "impact" and (thud := cut_thud(wave, rate_hz)) is not None:
                kinds["thud"].append(Clip(thud, family))
    return Sources(rate_hz, **kinds)


_SOURCES: dict = {}


def _work(job: tuple[str, str, int, float]) -> tuple:
    """One scene as arrays; and, where it can be taken apart, what it lends to others."""
    from tests.hearing.compose import EVENTS, RATE_HZ, keep_layers
    from tests.hearing.lessons import lessons_of
    from tests.hearing.report import settings_of
    from tests.hearing.stage import Settings, image_rooms, make_scene, own_rooms

    path, split, seed, published = job
    rng = np.random.default_rng([seed, 9])
    rate_hz = RATES_HZ[int(rng.random() < 0.2)]
    if not _SOURCES:
        _SOURCES.update({rate: read_pack(Path(path), split, rate) for rate in RATES_HZ})
    rooms = image_rooms if rng.random() < 0.5 else own_rooms
    twice, usual = rng.random(2) < (0.4, published)
    settings = Settings(reps=REPS, as_published=bool(usual), varied=True)
    if published >= 1.0:
        rooms, settings = image_rooms, replace(settings_of(seed), reps=REPS)
    scene = make_scene(seed, _SOURCES[rate_hz], settings, rooms)
    lessons, stages = lessons_of(scene, seed, bool(twice))
    columns = np.zeros((REPS, CHANNELS, FRAMES), np.float16)
    times = np.full((REPS, 5), -1e4, np.float32)  # first, second, step, allowed from, to
    events = np.full((REPS, EVENTS, 2), -1e4, np.float32)
    for row, lesson in enumerate(lessons[:REPS]):
        columns[row] = lesson.columns
        times[row] = (lesson.first, lesson.second, lesson.step, *lesson.allowed)
        for place, event in enumerate(lesson.events[:EVENTS]):
            events[row, place] = event
    layers = None
    if rate_hz == RATE_HZ and scene.layers.whole and len(stages) == REPS == len(lessons):
        layers = keep_layers(scene.layers, stages, [lesson.allowed for lesson in lessons])
    return {"columns": columns, "times": times, "events": events}, layers


@main.command()
@click.argument("sources", type=Path)
@click.argument("out", type=Path)
@click.option("--count", default=100)
@click.option("--split", default="fit")
@click.option("--seed", default=1_000_000, help="Of the first scene.")
@click.option("--workers", default=os.cpu_count() or 2)
@click.option("--minutes", default=1e9, help="Stop after so many.")
@click.option("--published", default=0.35, help="Share of scenes like the development recordings; 1: as in reports.")
def scenes(
    sources: Path, out: Path, count: int, split: str, seed: int, workers: int, minutes: float, published: float
) -> None:
    """Make scenes and keep what the ear sees of them, a hundred to a file."""
    out.mkdir(parents=True, exist_ok=True)
    began, kept = time.monotonic(), []
    done = 0
    with ProcessPoolExecutor(workers) as pool:
        pending, running = iter(range(count)), {}

        def submit() -> None:
            number = next(pending, None)
            if number is not None and time.monotonic() - began < 60.0 * minutes:
                future = pool.submit(_work, (str(sources), split, seed + number, published))
                running[future] = number

        for _ in range(3 * workers):
            submit()
        while running:
            finished, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in finished:
                number = running.pop(future)
                submit()
                try:
                    kept.append(future.result())
                except Exception as error:
                    click.echo(f"scene {seed + number}: {type(error).__name__} {error}")
                    continue
                done += 1
                if len(kept) == 100:
                    _keep(out / f"scene{done:06d}.npz", kept)
                    kept = []
                if done % 500 == 0:
                    click.echo(f"{done} scenes, {time.monotonic() - began:.0f} s")
    if kept:
        _keep(out / f"scene{done:06d}.npz", kept)
    click.echo(f"{done} scenes, {time.monotonic() - began:.0f} s")


def _keep(path: Path, kept: list[tuple]) -> None:
    scenes, layers = zip(*kept, strict=True)
    parts = {path: scenes, path.with_name(path.name.replace("scene", "layer")): [one for one in layers if one]}
    for each, some in parts.items():
        half = each.with_suffix(".half.npz")  # a fit may be looking for new ones
        np.savez(half, **{key: np.array([one[key] for one in some]) for key in some[0]})
        half.rename(each)


def build_reader(torch):
    """A reader of `hear/net.py` in PyTorch; columns before channels, so that a layer is one product of matrices."""
    nn = torch.nn

    class Block(nn.Module):
        def __init__(self, width: int, hidden: int, dilation: int) -> None:
            super().__init__()
            self.dilation = dilation
            self.taps = nn.Parameter((2.0 * torch.rand(TAPS, width) - 1.0) / math.sqrt(TAPS))
            self.norm = nn.BatchNorm1d(width)
            self.up, self.down = nn.Linear(width, hidden), nn.Linear(hidden, width)

        def forward(self, x):
            reach, frames = self.dilation * (TAPS // 2), x.shape[1]
            padded = nn.functional.pad(x, (0, 0, reach, reach))
            starts = range(0, TAPS * self.dilation, self.dilation)
            y = sum(taps * padded[:, start : start + frames] for taps, start in zip(self.taps, starts, strict=True))
            y = self.norm(y.flatten(0, 1)).unflatten(0, (-1, frames))
            return x + self.down(torch.relu(self.up(y)))

    def blocks(stage: str, width: int, hidden: int):
        return nn.Sequential(*(Block(width, hidden, dilation) for dilation in DILATIONS[stage]))

    class Reader(nn.Module):
        def __init__(self) -> None:
            super().__init__()
            self.seen = nn.Linear(CHANNELS, WIDTH)
            self.a, self.c = blocks("a", WIDTH, HIDDEN), blocks("c", WIDTH, HIDDEN)
            self.b = blocks("b", WIDE, WIDE_HIDDEN)
            self.mark = nn.Linear(WIDTH, OWN_MARK)
            self.known = nn.Linear(LIKENESSES + OWN_MARK, WIDTH)
            self.coarse, self.fine = nn.Linear(2 * WIDTH, WIDE), nn.Linear(WIDE, WIDTH)
            self.out = nn.Linear(WIDTH, len(MAPS))
            self.roles = nn.Linear(WIDTH, 6)  # for teaching alone: what is in each column
            self.none = nn.Linear(2 * WIDTH, 1)

        def first_stage(self, columns):
            """What the blocks `a` make of (reps, CHANNELS, frames), and marks of shape (reps, OWN_MARK, frames)."""
            x = self.a(self.seen(columns.transpose(1, 2)))
            return x, self.mark(x).transpose(1, 2)

        def second_stage(self, x, likeness, allowed):
            """Maps of shape (reps, len(MAPS), frames), log weights of none (reps,) and roles (reps, 6, frames)."""
            x = x + self.known(likeness.transpose(1, 2))
            together = x.unflatten(1, (-1, COARSE))
            wide = self.b(self.coarse(torch.cat([together.max(dim=2).values, together.mean(dim=2)], dim=2)))
            x = self.c(x + self.fine(wide).repeat_interleave(COARSE, dim=1))
            inside = allowed[:, :, None]
            most = x.masked_fill(~inside, -1e4).max(dim=1).values
            mean = (x * inside).sum(dim=1) / inside.sum(dim=1).clamp(min=1)
            none = self.none(torch.cat([most, mean], dim=1))[:, 0]
            return self.out(x).transpose(1, 2), none, self.roles(x).transpose(1, 2)

    return Reader()


def likeness_of(torch, marks, known, weights):
    """As `net.likenesses`, for many reps; known (B, K, OWN_MARK), weights (B, K) of 0 and 1."""
    apart = ((known[:, :, :, None] - marks[:, None]) ** 2).sum(dim=2) / OWN_MARK
    alike = torch.exp(-apart) * weights[:, :, None]
    count = weights.sum(dim=1)[:, None]
    some = (count > 0).float()
    mean_mark = (known * weights[:, :, None]).sum(dim=1) / count.clamp(min=1)
    most, mean = alike.amax(dim=1), alike.sum(dim=1) / count.clamp(min=1)
    many = (count.clamp(max=MANY) / MANY).expand(-1, marks.shape[2])
    apart_marks = (marks - mean_mark[:, :, None]) * some[:, :, None]
    return torch.cat([most[:, None], mean[:, None], many[:, None], apart_marks], dim=1)


def export(reader, path: Path) -> None:
    """Write the weights as the product reads them."""
    weights: dict[str, np.ndarray] = {}

    def array(weight) -> np.ndarray:
        return weight.detach().float().cpu().numpy()

    def keep(name: str, layer) -> None:
        weights[f"{name}.weight"] = array(layer.weight)
        weights[f"{name}.bias"] = array(layer.bias)

    for name, block in _named_blocks(reader):
        weights[f"{name}.taps"] = array(block.taps.T)
        norm = block.norm
        weights[f"{name}.norm"] = np.array([array(each) for each in _norms(norm)])
        weights[f"{name}.dilation"] = np.array(block.dilation)
        keep(f"{name}.up", block.up)
        keep(f"{name}.down", block.down)
    for name in LAYERS:
        keep(name, getattr(reader, name))
    np.savez_compressed(path, **weights)


def take_up(torch, reader, path: Path, number: int) -> None:
    """Give a reader the weights that one of those in a file ships with; `roles`, which teaches alone, begins anew.

    A wider reader says at first what the kept one says: what is new in it is not yet listened to.
    """
    with np.load(path) as file, torch.no_grad():

        def put(weight, kept: np.ndarray) -> None:
            corner = tuple(slice(size) for size in kept.shape)
            weight[corner[:1]] = 0.0
            weight[corner] = torch.from_numpy(kept).to(weight)

        def put_layer(layer, name: str) -> None:
            put(layer.weight, file[f"{number}.{name}.weight"])
            put(layer.bias, file[f"{number}.{name}.bias"])

        for name, block in _named_blocks(reader):
            put(block.taps.T, file[f"{number}.{name}.taps"])
            for weight, kept in zip(_norms(block.norm), file[f"{number}.{name}.norm"], strict=True):
                put(weight, kept)
            put_layer(block.up, f"{name}.up")
            put_layer(block.down, f"{name}.down")
        for name in LAYERS:
            put_layer(getattr(reader, name), name)


def _named_blocks(reader) -> list[tuple]:
    return [
        (f"{stage}{number}", block)
        for stage, blocks in (("a", reader.a), ("b", reader.b), ("c", reader.c))
        for number, block in enumerate(blocks)
    ]


def _norms(norm) -> tuple:
    return norm.weight, norm.bias, norm.running_mean, norm.running_var


def _spread(torch, times, frames: int, blur: float):
    """Targets by column: each moment shared between its two neighbours, blurred a little; (B, frames)."""
    grid = torch.arange(frames, device=times.device)[None]
    near = (1.0 - (grid - times[:, None]).abs()).clamp(min=0.0)
    wide = (1.0 - (grid - times[:, None]).abs() / 2.5).clamp(min=0.0)
    wide = wide / wide.sum(dim=1, keepdim=True).clamp(min=1e-6)
    return (1.0 - blur) * near + blur * wide


def losses(torch, maps, none, roles, times, events, allowed):
    """Cross-entropies of where the first foot, the second foot and the step lie, and of what each column holds."""
    first, second, one_foot, step, no_step = (maps[:, k].float() for k in range(5))
    frames = first.shape[1]
    grid = torch.arange(frames, device=first.device)[None]
    landed = (times[:, 0] > 0) & allowed.any(dim=1)
    inside = landed & (allowed.gather(1, times[:, :1].round().long().clamp(0, frames - 1))[:, 0])
    known = inside | ~(times[:, 0] > 0)
    weights = torch.cat([first.masked_fill(~allowed, -1e4), none.float()[:, None]], dim=1)
    logs = torch.log_softmax(weights, dim=1)
    target = torch.cat([_spread(torch, times[:, 0], frames, 0.15) * inside[:, None], (~inside).float()[:, None]], dim=1)
    target = target / target.sum(dim=1, keepdim=True).clamp(min=1e-6)
    loss_first = -(target * logs).sum(dim=1)[known].mean()

    def after(heat, none_map, at, low, high):
        start = times[:, 0]
        window = (grid > start[:, None] + low) & (grid < start[:, None] + high)
        there = (at > start + low) & (at < start + high)
        nothing = none_map.gather(1, start.round().long().clamp(0, frames - 1)[:, None])
        logs = torch.log_softmax(torch.cat([heat.masked_fill(~window, -1e4), nothing], dim=1), dim=1)
        target = torch.cat(
            [_spread(torch, at, frames, 0.15) * window * there[:, None], (~there).float()[:, None]], dim=1
        )
        target = target / target.sum(dim=1, keepdim=True).clamp(min=1e-6)
        return -(target * logs).sum(dim=1)[inside].mean()

    loss_second = after(second, one_foot, times[:, 1], *NONE_S2)
    loss_step = after(step, no_step, times[:, 2], *STEP_COLUMNS)
    kind = torch.zeros(first.shape, dtype=torch.long, device=first.device)
    for place in range(events.shape[1]):
        at, role = events[:, place, 0], events[:, place, 1]
        hit = ((grid - at[:, None]).abs() <= 1.5) & (at[:, None] > 0)
        kind = torch.where(hit, (role[:, None] + 2).long().expand_as(kind), kind)
    kind = torch.where(((grid - times[:, 1:2]).abs() <= 1.5) & (times[:, 1:2] > 0), 2, kind)
    kind = torch.where(((grid - times[:, :1]).abs() <= 1.5) & (times[:, :1] > 0), 1, kind)
    share = torch.tensor([0.05, 1.0, 1.0, 1.0, 1.0, 0.6], device=first.device)
    loss_roles = torch.nn.functional.cross_entropy(roles.float(), kind, weight=share)
    return loss_first, loss_second, loss_step, loss_roles


def vary(torch, columns, generator):
    """Other noise and other shoes: noise added to half of the sessions, and what stands over it coloured anew.

    `columns` of shape (sessions, reps, CHANNELS, frames), in units of the picture.
    """
    sessions, reps, _, frames = columns.shape
    device = columns.device

    def rand(*shape):
        return torch.rand(*shape, generator=generator, device=device)

    knots = torch.randn(sessions, 1, 5, generator=generator, device=device)
    curve = torch.nn.functional.interpolate(knots, size=BANDS, mode="linear", align_corners=True)[:, 0]
    colour = torch.exp(0.9 * curve * (rand(sessions, 1) < 0.6))  # nepers of power
    knots = torch.randn(sessions, 1, 4, generator=generator, device=device)
    tilt = torch.nn.functional.interpolate(knots, size=BANDS, mode="linear", align_corners=True)[:, 0]
    added = torch.exp(3.5 * rand(sessions, 1) - 1.5 + tilt) * (rand(sessions, 1) < 0.45)
    power = torch.exp(NEPERS * columns[:, :, :BANDS].float())
    flutter = torch.exp(0.5 * torch.randn(sessions, reps, BANDS, frames, generator=generator, device=device))
    power = power + (power - 1.0).clamp(min=0.0) * (colour[:, None, :, None] - 1.0)
    power = (power + added[:, None, :, None] * flutter) / (1.0 + added[:, None, :, None])
    thirds = torch.tensor([0, 0, 1, 1, 2, 2], device=device)
    low, high = colour.reshape(sessions, FINE, -1).mean(dim=2)[:, thirds], added.reshape(sessions, FINE, -1).mean(dim=2)
    high = high[:, thirds][:, None, :, None]
    fine = torch.exp(NEPERS * columns[:, :, 3 * BANDS : 3 * BANDS + 2 * FINE].float())
    fine = fine + (fine - 1.0).clamp(min=0.0) * (low[:, None, :, None] - 1.0)
    fine = (fine + high * torch.exp(0.8 * torch.randn(fine.shape, generator=generator, device=device))) / (1.0 + high)
    ours = torch.expm1(NEPERS * columns[:, :, BANDS : 3 * BANDS].float())
    ours = ours / (1.0 + added.repeat(1, 2)[:, None, :, None])
    out = torch.cat(
        [
            torch.log(power).clamp(LEAST, MOST) / NEPERS,
            torch.log1p(ours) / NEPERS,
            torch.log(fine).clamp(LEAST, MOST) / NEPERS,
            columns[:, :, 3 * BANDS + 2 * FINE :].float(),
        ],
        dim=2,
    )
    lost = columns[:, :, -1:].float() > 0.5
    return torch.where(lost, columns.float(), out)


def told_marks(torch, maps, none, allowed, marks):
    """What an ear in use would remember of each rep: the mark at its likeliest moment, and whether it is told."""
    near, best = beliefs(torch, maps, none, allowed)
    place = (best + MARK_LATER).clamp(max=marks.shape[2] - 1)
    return marks.gather(2, place[:, None, None].expand(-1, OWN_MARK, 1))[:, :, 0], near >= LEAST_BELIEF


def beliefs(torch, maps, none, allowed):
    """Probability of a first touchdown near its likeliest column, and that column."""
    weights = torch.cat([maps[:, 0].float().masked_fill(~allowed, -1e4), none.float()[:, None]], dim=1)
    shares = torch.softmax(weights, dim=1)[:, None, :-1]
    reach = round(NEAR_S / COLUMN_S)
    near = torch.nn.functional.avg_pool1d(shares, 2 * reach + 1, 1, reach, count_include_pad=True)[:, 0]
    return (near * (2 * reach + 1)).max(dim=1)


def forward(torch, reader, columns, times, events, generator):
    """Read reps of whole sessions twice: without memory, and with what the first reading told of other reps.

    What is remembered is what an ear in use would remember, wrong or right; of a fifth of the sessions it is the truth,
    and of a few nothing. Half of the sessions know earlier reps alone.
    """
    sessions, reps = columns.shape[:2]
    if reader.training:
        columns = vary(torch, columns, generator)
    flat = columns.reshape(sessions * reps, *columns.shape[2:]).float()
    times, events = times.reshape(-1, times.shape[-1]), events.reshape(sessions * reps, *events.shape[2:])
    grid = torch.arange(flat.shape[2], device=flat.device)[None]
    allowed = (grid >= times[:, 3:4]) & (grid < times[:, 4:5])
    x, marks = reader.first_stage(flat)
    nothing = torch.zeros(len(flat), LIKENESSES + OWN_MARK, flat.shape[2], device=flat.device)
    alone = reader.second_stage(x, nothing, allowed)

    def rand(*shape):
        return torch.rand(*shape, generator=generator, device=flat.device)

    with torch.no_grad():
        taken, told = told_marks(torch, alone[0], alone[1], allowed, marks.float())
        place = (times[:, 0].round().long().clamp(min=0) + MARK_LATER).clamp(max=flat.shape[2] - 1)
        right = marks.float().gather(2, place[:, None, None].expand(-1, OWN_MARK, 1))[:, :, 0]
        kind = rand(sessions) if reader.training else torch.ones(sessions, device=flat.device)
        truth = ((kind > 0.05) & (kind < 0.25)).repeat_interleave(reps)
        taken = torch.where(truth[:, None], right, taken)
        told = torch.where(truth, times[:, 0] > 0, told) & (kind > 0.05).repeat_interleave(reps)
        order = torch.arange(reps, device=flat.device)
        others = order[None, :] != order[:, None]
        earlier = order[None, :] < order[:, None]
        live = rand(sessions) < (0.5 if reader.training else 0.0)
        who = torch.where(live[:, None, None], earlier[None], others[None]) & told.reshape(sessions, 1, reps)
        known = (
            taken.reshape(sessions, 1, reps, OWN_MARK).expand(-1, reps, -1, -1).reshape(sessions * reps, reps, OWN_MARK)
        )
    likeness = likeness_of(torch, marks.float(), known, who.reshape(sessions * reps, reps).float())
    return alone, reader.second_stage(x, likeness, allowed), times, events, allowed


class Lessons:
    """Scenes kept below a folder, on the device; those that are made meanwhile join when asked for.

    The first `hold_out` are only asked; the others also lend their parts to `composer`.
    """

    def __init__(self, torch, data: Path, device: str, hold_out: int, number: int) -> None:
        from tests.hearing.compose import Composer

        self._torch, self._data, self._device, self._hold_out = torch, data, device, hold_out
        self._seen: set[Path] = set()
        self.composer = Composer(torch, device, 19 + number)
        self.arrays: dict = {}
        self._composed: list = []
        self.renew()

    def __len__(self) -> int:
        return len(self.arrays["times"]) if self.arrays else 0

    def renew(self) -> None:
        """Add what is new."""
        new = [path for path in sorted(self._data.rglob("scene??????.npz")) if path not in self._seen]
        self._seen.update(new)
        lend = []
        for path in new:
            lend += [path.with_name(path.name.replace("scene", "layer"))] if len(self) >= self._hold_out else []
            with np.load(path) as part:
                for key in part.files:
                    fresh = self._torch.from_numpy(part[key]).to(self._device)
                    self.arrays[key] = self._torch.cat([self.arrays[key], fresh]) if key in self.arrays else fresh
        self.composer.renew(lend)

    def draw(self, rng, whole: int, composed: int, fresh: int):
        """So many sessions as they were made, and so many of those put together: columns, times, events.

        `fresh` more are put together before, and the oldest of `COMPOSED` forgotten.
        """
        torch = self._torch
        if not len(self.composer):
            whole, composed = whole + composed, 0
        index = rng.choice(len(self) - self._hold_out, whole, replace=False) + self._hold_out
        some = [self.arrays[key][torch.from_numpy(index).to(self._device)] for key in ("columns", "times", "events")]
        if not composed:
            return some
        with torch.no_grad():
            new = self.composer.sessions(fresh if self._composed else composed)
        new[0] = new[0].half()
        old = [each[: COMPOSED - len(new[0])] for each in self._composed] or [each[:0] for each in new]
        self._composed = [torch.cat(pair) for pair in zip(new, old, strict=True)]
        index = torch.from_numpy(rng.integers(0, len(self._composed[0]), composed)).to(self._device)
        return [torch.cat([one, other[index]]) for one, other in zip(some, self._composed, strict=True)]


@main.command()
@click.argument("data", type=Path)
@click.argument("out", type=Path)
@click.option("--minutes", default=20.0, help="Of fitting.")
@click.option("--batch", default=24, help="Sessions a step.")
@click.option("--composed", default=18, help="Of which so many are put together anew.")
@click.option("--fresh", default=6, help="Put together at a step; each is seen composed / fresh times.")
@click.option("--rate", default=3e-3)
@click.option("--hold-out", default=200, help="Scenes, the first, that are only asked.")
@click.option("--ask", "asked", type=Path, default=None, help="Folder of scenes of another split, asked too.")
@click.option("--number", default=0, help="Of the reader: its seed.")
@click.option("--start", type=Path, default=None, help="Readers to go on from, as they ship: the one of this number.")
def fit(
    data: Path,
    out: Path,
    minutes: float,
    batch: int,
    composed: int,
    fresh: int,
    rate: float,
    hold_out: int,
    asked: Path | None,
    number: int,
    start: Path | None,
) -> None:
    """Fit a reader to the scenes kept anywhere below a folder; more may come meanwhile."""
    os.environ.setdefault("PYTORCH_CUDA_ALLOC_CONF", "expandable_segments:True")  # what is kept grows
    import torch

    device = "cuda" if torch.cuda.is_available() else "cpu"
    lessons = Lessons(torch, data, device, hold_out, number)
    others = Lessons(torch, asked, device, 1 << 30, number) if asked is not None else None
    torch.manual_seed(7 + number)
    reader = build_reader(torch).to(device)
    if start is not None:
        take_up(torch, reader, start, number)
    ema = torch.optim.swa_utils.get_ema_multi_avg_fn(0.998)
    average = torch.optim.swa_utils.AveragedModel(reader, multi_avg_fn=ema, use_buffers=True)
    optimizer = torch.optim.AdamW(reader.parameters(), lr=rate, weight_decay=0.02, fused=device == "cuda")
    measure = partial(losses, torch)
    if device == "cuda":  # made into kernels of their own, which is most of the speed
        reader.first_stage, reader.second_stage, measure = map(
            torch.compile, (reader.first_stage, reader.second_stage, measure)
        )
    size = sum(each.numel() for each in reader.parameters())
    click.echo(f"{len(lessons)} scenes, {len(lessons.composer)} to lend, {size} weights, {device}")
    generator = torch.Generator(device=device).manual_seed(11 + number)
    rng = np.random.default_rng(3 + number)
    began, step = time.monotonic(), 0
    totals = torch.zeros(5, device=device)

    def keep() -> None:
        for heard, count in ((lessons, hold_out), (others, len(others or ()))):
            if heard is not None:
                told = ask(torch, average.module, heard.arrays, min(count, len(heard)), device)
                click.echo(f"step {step}, {'held out' if heard is lessons else 'others'}: {told}")
        export(average.module, out)

    while (spent := (time.monotonic() - began) / (60.0 * minutes)) < 1.0:
        for group in optimizer.param_groups:
            warm = min(1.0, (step + 1) / 300)
            group["lr"] = rate * warm * (0.5 + 0.5 * math.cos(math.pi * spent)) + 1e-6
        sessions = lessons.draw(rng, batch - composed, composed, fresh)
        with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
            alone, remembering, times, events, allowed = forward(torch, reader, *sessions, generator)
        without = measure(*alone, times, events, allowed)
        parts = measure(*remembering, times, events, allowed)
        loss = 0.5 * without[0] + sum(share * part for share, part in zip((1.0, 0.5, 0.3, 0.3), parts, strict=True))
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(reader.parameters(), 1.0)
        optimizer.step()
        average.update_parameters(reader)
        totals += torch.stack([*parts, without[0]]).detach().float()
        step += 1
        if step % 250 == 0:
            told = " ".join(f"{float(each) / 250:.3f}" for each in totals)
            click.echo(f"step {step}, {time.monotonic() - began:.0f} s, {len(lessons)} scenes: {told}")
            totals.zero_()
            lessons.renew()
            if step % 1000 == 0:
                keep()
    keep()


@main.command()
@click.argument("sources", type=Path)
@click.argument("readers", type=Path, nargs=READERS)
@click.argument("out", type=Path)
@click.option("--count", default=40, help="Of scenes.")
def join(sources: Path, readers: tuple[Path, ...], out: Path, count: int) -> None:
    """Put readers into one file, with what landings bring on the mean, measured on scenes of a pack."""
    from drilltimer.hear.picture import cut_patch
    from tests.hearing.lessons import TracedEar, hear_scene
    from tests.hearing.stage import Settings, make_scene, own_rooms

    source, patches = read_pack(sources, "fit", 16_000), []
    for seed in range(count):
        scene = make_scene(
            8_000_000 + seed, source, Settings(snr_db=40.0, distractors=False, approach=False), own_rooms
        )
        ear = TracedEar(scene.rate_hz, scene.rate_hz, scene, False)
        hear_scene(scene, ear, (-0.03, 0.03), 1)
        for landing in scene.truth["landings"]:
            if landing["rep"] in ear.pictures:
                picture, _, _, start = ear.pictures[landing["rep"]]
                patch = cut_patch(picture, round(picture.column(landing["mic_s"] * scene.rate_hz - start)))
                patches.append(patch / max(patch.sum(axis=0).max(), 1e-20))
    mean = np.exp(np.mean(np.log(np.array(patches) + 1e-5), axis=0)) - 1e-5
    joined = {"typical": (mean / mean.sum(axis=0).max()).astype(np.float32)}
    for number, path in enumerate(readers):
        with np.load(path) as file:
            for name in file.files:  # half as exact is as good, and half as big; spreads may be beyond it
                exact = file[name].dtype != np.float32 or name.endswith(".norm")
                joined[f"{number}.{name}"] = file[name] if exact else file[name].astype(np.float16)
    np.savez_compressed(out, **joined)


def ask(torch, reader, arrays, count: int, device: str) -> str:
    """How scenes that were only kept aside are answered, as an ear in use would: losses, and what is told.

    F1 at the bound in force, and the greatest where 5, 3 and 2 % of what is told are wrong.
    """
    reader.eval()
    generator = torch.Generator(device=device).manual_seed(5)
    total, found = np.zeros(5), []
    with torch.no_grad():
        for begin in range(0, count, 10):
            some = (arrays[key][begin : min(begin + 10, count)] for key in ("columns", "times", "events"))
            alone, remembering, times, events, allowed = forward(torch, reader, *some, generator)
            parts = losses(torch, *remembering, times, events, allowed)
            parts = (*parts, losses(torch, *alone, times, events, allowed)[0])
            total += [float(each) / count * 10 for each in parts]
            belief, best = beliefs(torch, *remembering[:2], allowed)
            right = (times[:, 0] > 0) & ((best - times[:, 0]).abs() <= 10)
            found.append(torch.stack([belief, right.float(), (times[:, 0] > 0).float()]).cpu())
    reader.train()
    belief, right, landed = torch.cat(found, dim=1).numpy()
    order = np.argsort(-belief)
    hits, told = np.cumsum(right[order]), np.arange(1, len(order) + 1)
    f1, wrong = 2 * hits / (told + landed.sum()), 1 - hits / told
    usual = int((belief >= LEAST_BELIEF).sum()) - 1
    at = " ".join(f"{float(f1[wrong <= bound].max(initial=0.0)):.3f}" for bound in (0.05, 0.03, 0.02))
    losses_told = " ".join(f"{each:.3f}" for each in total)
    return f"{losses_told}; F1 {f1[usual]:.3f}, {wrong[usual]:.3f} wrong; at 5, 3, 2 % wrong {at}"


if __name__ == "__main__":
    main()
