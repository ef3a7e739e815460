"""Teaches the net that reads a rep (`hear/net.py`). PyTorch is the extra `train`; nothing at run time needs it.

    python -m tests.hearing.train pack SOURCES PACK.npz            recorded sounds (tests.hearing.sources), small
    python -m tests.hearing.train scenes PACK.npz FOLDER --count N  made scenes as the ear sees them
    python -m tests.hearing.train fit FOLDER WEIGHTS.npz            the fit, from a fixed seed

`fit` needs an accelerator to end within minutes. Scenes are of the split `fit` alone; `choose` and `report` are asked
by `tests.hearing.report`.
"""

from __future__ import annotations

import json
import math
import os
import time
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from pathlib import Path

import click
import numpy as np

from drilltimer.hear.bands import BANDS
from drilltimer.hear.decide import LEAST_BELIEF, NEAR_S
from drilltimer.hear.features import CHANNELS, COLUMN_S, FINE, FRAMES, LEAST, MOST, NEPERS
from drilltimer.hear.net import FIRST_DILATIONS, LIKENESSES, MANY, MAPS, MARK, SECOND_DILATIONS, TAPS

RATES_HZ = (16_000, 14_700)
WIDTH, HIDDEN = 48, 112
REPS = 14
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


def _work(job: tuple[str, str, int, bool]) -> tuple:
    """One scene as arrays."""
    from tests.hearing.lessons import lessons_of
    from tests.hearing.stage import Settings, image_rooms, make_scene, own_rooms

    path, split, seed, faint = job
    rng = np.random.default_rng([seed, 9])
    rate_hz = RATES_HZ[int(rng.random() < 0.35)]
    if not _SOURCES:
        _SOURCES.update({rate: read_pack(Path(path), split, rate) for rate in RATES_HZ})
    rooms = image_rooms if rng.random() < 0.5 else own_rooms
    scene = make_scene(
        seed, _SOURCES[rate_hz], Settings(reps=REPS, snr_db=float(rng.uniform(4.0, 16.0)) if faint else None), rooms
    )
    lessons = lessons_of(scene, seed, twice=bool(rng.random() < 0.4))
    columns = np.zeros((REPS, CHANNELS, FRAMES), np.float16)
    times = np.full((REPS, 5), -1e4, np.float32)  # first, second, step, allowed from, to
    events = np.full((REPS, 12, 2), -1e4, np.float32)
    for row, lesson in enumerate(lessons[:REPS]):
        columns[row] = lesson.columns
        times[row] = (lesson.first, lesson.second, lesson.step, *lesson.allowed)
        for place, event in enumerate(lesson.events[:12]):
            events[row, place] = event
    return columns, times, events, scene.truth["condition"]["snr_db"]


@main.command()
@click.argument("sources", type=Path)
@click.argument("out", type=Path)
@click.option("--count", default=100)
@click.option("--split", default="fit")
@click.option("--seed", default=1_000_000, help="Of the first scene.")
@click.option("--workers", default=os.cpu_count() or 2)
@click.option("--minutes", default=1e9, help="Stop after so many.")
@click.option("--faint", is_flag=True, help="Landings 4 to 16 dB over the noise alone.")
def scenes(
    sources: Path, out: Path, count: int, split: str, seed: int, workers: int, minutes: float, faint: bool
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
                future = pool.submit(_work, (str(sources), split, seed + number, faint))
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
                    _keep(out / f"{split}{done:06d}.npz", kept)
                    kept = []
                if done % 500 == 0:
                    click.echo(f"{done} scenes, {time.monotonic() - began:.0f} s")
    if kept:
        _keep(out / f"{split}{done:06d}.npz", kept)
    click.echo(f"{done} scenes, {time.monotonic() - began:.0f} s")


def _keep(path: Path, kept: list[tuple]) -> None:
    columns, times, events, snrs = zip(*kept, strict=True)
    np.savez(
        path, columns=np.array(columns), times=np.array(times), events=np.array(events), snr=np.array(snrs, np.float32)
    )


def build_net(torch):
    """The net of `hear/net.py` in PyTorch, with batch normalisation that is folded away when it is exported."""
    nn = torch.nn

    class Block(nn.Module):
        def __init__(self, dilation: int) -> None:
            super().__init__()
            self.taps = nn.Conv1d(
                WIDTH, WIDTH, TAPS, padding=dilation * (TAPS // 2), dilation=dilation, groups=WIDTH, bias=False
            )
            self.norm = nn.BatchNorm1d(WIDTH)
            self.up, self.down = nn.Conv1d(WIDTH, HIDDEN, 1), nn.Conv1d(HIDDEN, WIDTH, 1)

        def forward(self, x):
            return x + self.down(torch.relu(self.up(self.norm(self.taps(x)))))

    class Reader(nn.Module):
        def __init__(self) -> None:
            super().__init__()
            self.inp = nn.Conv1d(CHANNELS, WIDTH, 1)
            self.a = nn.ModuleList(Block(d) for d in FIRST_DILATIONS)
            self.mark = nn.Conv1d(WIDTH, MARK, 1)
            self.known = nn.Conv1d(LIKENESSES + MARK, WIDTH, 1)
            self.b = nn.ModuleList(Block(d) for d in SECOND_DILATIONS)
            self.out = nn.Conv1d(WIDTH, len(MAPS), 1)
            self.roles = nn.Conv1d(WIDTH, 6, 1)  # for teaching alone: what is in each column
            self.none = nn.Linear(2 * WIDTH, 1)

        def first_stage(self, columns):
            x = self.inp(columns)
            for block in self.a:
                x = block(x)
            return x, self.mark(x)

        def second_stage(self, x, likeness, allowed):
            x = x + self.known(likeness)
            for block in self.b:
                x = block(x)
            inside = allowed[:, None, :]
            most = x.masked_fill(~inside, -1e4).amax(dim=2)
            mean = (x * inside).sum(dim=2) / inside.sum(dim=2).clamp(min=1)
            none = self.none(torch.cat([most, mean], dim=1))[:, 0]
            return self.out(x), none, self.roles(x)

    return Reader()


def likeness_of(torch, marks, known, weights):
    """As `net.likenesses`, for many reps; known (B, K, MARK), weights (B, K) of 0 and 1."""
    apart = ((known[:, :, :, None] - marks[:, None]) ** 2).sum(dim=2) / MARK
    alike = torch.exp(-apart) * weights[:, :, None]
    count = weights.sum(dim=1)[:, None]
    some = (count > 0).float()
    mean_mark = (known * weights[:, :, None]).sum(dim=1) / count.clamp(min=1)
    most, mean = alike.amax(dim=1), alike.sum(dim=1) / count.clamp(min=1)
    many = (count.clamp(max=MANY) / MANY).expand(-1, marks.shape[2])
    apart_marks = (marks - mean_mark[:, :, None]) * some[:, :, None]
    return torch.cat([most[:, None], mean[:, None], many[:, None], apart_marks], dim=1)


def export(reader, path: Path) -> None:
    """Write the weights as the product reads them, normalisation folded into what comes before it."""
    weights: dict[str, np.ndarray] = {}

    def keep(name: str, layer) -> None:
        weights[f"{name}.weight"] = layer.weight.detach().float().cpu().numpy().reshape(layer.weight.shape[0], -1)
        weights[f"{name}.bias"] = layer.bias.detach().float().cpu().numpy()

    keep("in", reader.inp)
    for stage, blocks in (("a", reader.a), ("b", reader.b)):
        for number, block in enumerate(blocks):
            norm = block.norm
            scale = (norm.weight / (norm.running_var + norm.eps).sqrt()).detach().float().cpu().numpy()
            mean, bias = (each.detach().float().cpu().numpy() for each in (norm.running_mean, norm.bias))
            weights[f"{stage}{number}.taps"] = block.taps.weight.detach().float().cpu().numpy()[:, 0] * scale[:, None]
            weights[f"{stage}{number}.shift"] = bias - mean * scale
            keep(f"{stage}{number}.up", block.up)
            keep(f"{stage}{number}.down", block.down)
    for name in ("mark", "known", "out", "none"):
        keep(name, getattr(reader, name))
    np.savez_compressed(path, **weights)


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


def batches(rng: np.random.Generator, count: int, size: int) -> Iterator[np.ndarray]:
    """Numbers of scenes, in random order, without end."""
    while True:
        order = rng.permutation(count)
        for begin in range(0, count - size + 1, size):
            yield order[begin : begin + size]


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


def forward(torch, reader, columns, times, events, snr, generator):
    """Read reps of whole sessions: first stage, marks of other landings of the session, second stage."""
    sessions, reps = columns.shape[:2]
    if reader.training:
        columns = vary(torch, columns, generator)
    flat = columns.reshape(sessions * reps, *columns.shape[2:]).float()
    times, events = times.reshape(-1, times.shape[-1]), events.reshape(sessions * reps, *events.shape[2:])
    grid = torch.arange(flat.shape[2], device=flat.device)[None]
    allowed = (grid >= times[:, 3:4]) & (grid < times[:, 4:5])
    x, marks = reader.first_stage(flat)

    def rand(*shape):
        return torch.rand(*shape, generator=generator, device=flat.device)

    # A landing that was told teaches; now and then it is another sound that was taken for one.
    at = times[:, 0].clone()
    wrong = rand(len(at)) < 0.04
    some = events[:, 0, 0]
    at = torch.where(wrong & (some > 0), some, at) + torch.randint(
        -1, 2, at.shape, generator=generator, device=at.device
    )
    place = (at.round().long() + MARK_LATER).clamp(0, flat.shape[2] - 1)
    taken = marks.gather(2, place[:, None, None].expand(-1, MARK, 1))[:, :, 0]
    heard = (at > 0) & (rand(len(at)) < torch.sigmoid((snr.repeat_interleave(reps) - 4.0) / 3.0) * 0.95)
    taken, heard = taken.reshape(sessions, reps, MARK), heard.reshape(sessions, reps)
    order = torch.arange(reps, device=flat.device)
    other = order[None, :] != order[:, None]
    earlier = order[None, :] < order[:, None]
    live = rand(sessions) < 0.5
    nothing = rand(sessions) < 0.1
    who = torch.where(live[:, None, None], earlier[None], other[None]) & heard[:, None, :] & ~nothing[:, None, None]
    known = taken[:, None].expand(-1, reps, -1, -1).reshape(sessions * reps, reps, MARK)
    likeness = likeness_of(torch, marks.float(), known.float(), who.reshape(sessions * reps, reps).float())
    maps, none, roles = reader.second_stage(x, likeness, allowed)
    return maps, none, roles, times, events, allowed


@main.command()
@click.argument("data", type=Path)
@click.argument("out", type=Path)
@click.option("--minutes", default=8.0, help="Of fitting.")
@click.option("--batch", default=16, help="Scenes a step.")
@click.option("--rate", default=2.5e-3)
@click.option("--hold-out", default=200, help="Scenes that are only asked.")
@click.option("--start", type=Path, default=None, help="What an earlier fit left beside its weights, to go on from.")
def fit(data: Path, out: Path, minutes: float, batch: int, rate: float, hold_out: int, start: Path | None) -> None:
    """Fit the net to the scenes kept anywhere below a folder."""
    import torch

    torch.manual_seed(7)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    files = sorted(data.rglob("fit*.npz"))
    parts = [dict(np.load(path)) for path in files]
    arrays = {key: torch.from_numpy(np.concatenate([part[key] for part in parts])) for key in parts[0]}
    del parts
    arrays = {key: value.to(device) for key, value in arrays.items()}
    count = len(arrays["snr"]) - hold_out
    reader = build_net(torch).to(device)
    if start is not None:
        reader.load_state_dict(torch.load(start, map_location=device))
    size = sum(each.numel() for each in reader.parameters())
    click.echo(f"{count} scenes, {size} weights, {device}")
    optimizer = torch.optim.AdamW(reader.parameters(), lr=rate, weight_decay=0.02)
    average = torch.optim.swa_utils.AveragedModel(
        reader, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    generator = torch.Generator(device=device).manual_seed(11)
    began, step = time.monotonic(), 0
    totals = np.zeros(4)
    for numbers in batches(np.random.default_rng(3), count, batch):
        spent = (time.monotonic() - began) / (60.0 * minutes)
        if spent >= 1.0:
            break
        warm = min(1.0, (step + 1) / 300)
        for group in optimizer.param_groups:
            group["lr"] = rate * warm * (0.5 + 0.5 * math.cos(math.pi * spent)) + 1e-6
        index = torch.from_numpy(numbers).to(device)
        with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
            answer = forward(
                torch, reader, *(arrays[key][index] for key in ("columns", "times", "events", "snr")), generator
            )
        maps, none, roles, times, events, allowed = answer
        parts_ = losses(torch, maps, none, roles, times, events, allowed)
        loss = parts_[0] + 0.5 * parts_[1] + 0.3 * parts_[2] + 0.3 * parts_[3]
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(reader.parameters(), 1.0)
        optimizer.step()
        average.update_parameters(reader)
        totals += [float(each.detach()) for each in parts_] if step % 10 == 0 else 0.0
        step += 1
        if step % 500 == 0:
            click.echo(
                f"step {step}, {time.monotonic() - began:.0f} s: " + " ".join(f"{each / 50:.3f}" for each in totals)
            )
            totals[:] = 0.0
            if step % 2000 == 0:
                click.echo("held out: " + ask(torch, average.module, arrays, count, device))
                export(average.module, out)
    click.echo(f"{step} steps; held out: " + ask(torch, average.module, arrays, count, device))
    export(average.module, out)
    torch.save(average.module.state_dict(), out.with_suffix(".pt"))


def told_marks(torch, maps, none, allowed, marks):
    """What an ear in use would remember of each rep: the mark at its likeliest moment, and whether it is told."""
    weights = torch.cat([maps[:, 0].masked_fill(~allowed, -1e4), none[:, None]], dim=1)
    shares = torch.softmax(weights.float(), dim=1)[:, None, :-1]
    reach = round(NEAR_S / COLUMN_S)
    near = torch.nn.functional.avg_pool1d(shares, 2 * reach + 1, 1, reach, count_include_pad=True)[:, 0]
    belief, best = (near * (2 * reach + 1)).max(dim=1)
    place = (best + MARK_LATER).clamp(max=marks.shape[2] - 1)
    taken = marks.gather(2, place[:, None, None].expand(-1, MARK, 1))[:, :, 0]
    return taken, belief >= LEAST_BELIEF


def with_memory(torch, reader, x, marks, allowed, taken, told, who):
    """The second stage, with what is remembered; `who` (sessions, reps, reps): whose landings each rep may know."""
    sessions, reps, _ = who.shape
    known = taken.reshape(sessions, 1, reps, MARK).expand(-1, reps, -1, -1).reshape(sessions * reps, reps, MARK)
    weights = (who & told.reshape(sessions, 1, reps)).reshape(sessions * reps, reps).float()
    return reader.second_stage(x, likeness_of(torch, marks, known, weights), allowed)


@main.command()
@click.argument("data", type=Path)
@click.argument("start", type=Path)
@click.argument("out", type=Path)
@click.option("--minutes", default=25.0)
@click.option("--batch", default=8, help="Scenes a step, of each of which half the reps are asked.")
@click.option("--rate", default=6e-4)
@click.option("--hold-out", default=40)
def refine(data: Path, start: Path, out: Path, minutes: float, batch: int, rate: float, hold_out: int) -> None:
    """Teach the second stage how far it may trust its memory, which holds what it told itself, wrong or right."""
    import torch

    torch.manual_seed(13)
    rng = np.random.default_rng(17)
    reader = build_net(torch)
    reader.load_state_dict(torch.load(start, map_location="cpu"))
    reader.eval()
    for part in (reader.inp, reader.a, reader.mark):
        part.requires_grad_(False)
    rows = torch.arange(REPS)
    others, earlier = rows[None] != rows[:, None], rows[None] < rows[:, None]
    scenes = []
    with torch.no_grad():
        for path in sorted(data.rglob("fit*.npz")):
            part = dict(np.load(path))
            for columns, times, events in zip(part["columns"], part["times"], part["events"], strict=True):
                x, marks = reader.first_stage(torch.from_numpy(columns).float())
                times, events = torch.from_numpy(times), torch.from_numpy(events)
                grid = torch.arange(x.shape[2])[None]
                allowed = (grid >= times[:, 3:4]) & (grid < times[:, 4:5])
                memories = [(marks[:, :, 0], torch.zeros(REPS, dtype=torch.bool))]
                for _ in range(2):
                    answer = with_memory(torch, reader, x, marks, allowed, *memories[-1], others[None])
                    memories.append(told_marks(torch, answer[0], answer[1], allowed, marks))
                place = (times[:, 0].round().long().clamp(min=0) + MARK_LATER).clamp(max=x.shape[2] - 1)
                right = marks.gather(2, place[:, None, None].expand(-1, MARK, 1))[:, :, 0]
                memories.append((right, times[:, 0] > 0))
                scenes.append((x.half(), marks.half(), times, events, allowed, memories))
            click.echo(f"{len(scenes)} scenes read")
    order = rng.permutation(len(scenes))
    asked, taught = order[:hold_out], order[hold_out:]
    parameters = [each for each in reader.parameters() if each.requires_grad]
    optimizer = torch.optim.AdamW(parameters, lr=rate, weight_decay=0.01)

    def read(scene, memory: int, who, chosen):
        """Some reps of a scene, with what a memory of that kind holds."""
        x, marks, times, events, allowed, memories = scene
        taken, told = memories[memory]
        known = taken[None].expand(len(chosen), -1, -1)
        weights = (who[chosen] & told[None]).float()
        likeness = likeness_of(torch, marks[chosen].float(), known, weights)
        return x[chosen].float(), likeness, allowed[chosen], times[chosen], events[chosen]

    def ask_all() -> str:
        said = []
        with torch.no_grad():
            for number in asked:
                x, likeness, allowed, times, events = read(scenes[number], 2, others, rows)
                maps, none, roles = reader.second_stage(x, likeness, allowed)
                first = float(losses(torch, maps, none, roles, times, events, allowed)[0])
                _, told = told_marks(torch, maps, none, allowed, scenes[number][1].float())
                best = maps[:, 0].masked_fill(~allowed, -1e4).argmax(dim=1)
                has = times[:, 0] > 0
                right = told & has & ((best - times[:, 0]).abs() <= 10)
                said.append((first, int(told.sum()), int(right.sum()), int(has.sum())))
        first, told, right, has = np.array(said).T
        return f"{first.mean():.3f}; told {told.sum():.0f} of {has.sum():.0f}, wrong {1 - right.sum() / told.sum():.3f}"

    click.echo("held out: " + ask_all())
    began, step, total = time.monotonic(), 0, 0.0
    for numbers in batches(rng, len(taught), batch):
        spent = (time.monotonic() - began) / (60.0 * minutes)
        if spent >= 1.0:
            break
        for group in optimizer.param_groups:
            group["lr"] = rate * min(1.0, (step + 1) / 20) * (0.5 + 0.5 * math.cos(math.pi * spent)) + 1e-6
        parts = []
        for number in taught[numbers]:
            chosen = torch.from_numpy(rng.permutation(REPS)[: REPS // 2])
            memory = int(rng.choice([0, 1, 2, 3], p=[0.15, 0.2, 0.45, 0.2]))
            parts.append(read(scenes[number], memory, earlier if rng.random() < 0.4 else others, chosen))
        x, likeness, allowed, times, events = (torch.cat(each) for each in zip(*parts, strict=True))
        maps, none, roles = reader.second_stage(x, likeness, allowed)
        parts = losses(torch, maps, none, roles, times, events, allowed)
        loss = parts[0] + 0.3 * parts[1] + 0.2 * parts[2] + 0.2 * parts[3]
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(parameters, 1.0)
        optimizer.step()
        total += float(parts[0].detach())
        step += 1
        if step % 25 == 0:
            click.echo(f"step {step}, {time.monotonic() - began:.0f} s: {total / 25:.3f}")
            total = 0.0
            if step % 75 == 0:
                click.echo("held out: " + ask_all())
                export(reader, out)
    click.echo(f"{step} steps; held out: " + ask_all())
    export(reader, out)
    torch.save(reader.state_dict(), out.with_suffix(".pt"))


@main.command()
@click.argument("sources", type=Path)
@click.argument("weights", type=Path)
@click.option("--count", default=40, help="Of scenes.")
def typical(sources: Path, weights: Path, count: int) -> None:
    """Measure what landings bring on the mean, and keep it beside the weights."""
    from drilltimer.hear.features import cut_patch
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
    with np.load(weights) as file:
        kept = {name: file[name] for name in file.files}
    np.savez_compressed(weights, **{**kept, "typical": (mean / mean.sum(axis=0).max()).astype(np.float32)})


def ask(torch, reader, arrays, count: int, device: str) -> str:
    """How scenes that were only kept aside are answered."""
    reader.eval()
    generator = torch.Generator(device=device).manual_seed(5)
    total, right, told, landed, near = np.zeros(4), 0, 0, 0, 0
    rows = 0
    with torch.no_grad():
        for begin in range(count, len(arrays["snr"]), 10):
            some = (arrays[key][begin : begin + 10] for key in ("columns", "times", "events", "snr"))
            maps, none, roles, times, events, allowed = forward(torch, reader, *some, generator)
            total += [float(each) for each in losses(torch, maps, none, roles, times, events, allowed)]
            rows += 1
            weights = torch.cat([maps[:, 0].masked_fill(~allowed, -1e4), none[:, None]], dim=1)
            best = weights.argmax(dim=1)
            says = best < maps.shape[2]
            has = times[:, 0] > 0
            hit = says & has & ((best - times[:, 0]).abs() <= 10)
            near += int((says & has & ((best - times[:, 0]).abs() <= 2)).sum())
            right, told, landed = right + int(hit.sum()), told + int(says.sum()), landed + int(has.sum())
    reader.train()
    f1 = 2 * right / max(told + landed, 1)
    return " ".join(f"{each / max(rows, 1):.3f}" for each in total) + f"; F1 {f1:.3f}, {near} of {right} within 4 ms"


if __name__ == "__main__":
    main()
