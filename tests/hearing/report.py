"""How the ear answers made scenes whose sounds no fit has seen, group by group.

    python -m tests.hearing.report SOURCES --split choose|report [--count 96] [--bare]

Scenes are drawn as the development recordings were, in image-source rooms that took no part in the fit. `--bare` skips
files and the search for the sheet: the ear alone, told where the contacts are. `report` is looked at once.
"""

from __future__ import annotations

import json
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import click
import numpy as np

FOUND_S, WRONG_S = 0.05, 0.02
SNRS_DB = (6.0, 12.0, 20.0, 30.0)
ROOMS = ("outdoor", "small", "hall")
MICROPHONES = ("laptop", "phone", "usb")


@dataclass(frozen=True)
class Row:
    """One rep: the truth and the answer in seconds of the recording, None where there is none."""

    scene: str
    condition: dict
    first_s: float | None
    second_s: float | None
    step_s: float | None
    before_s: tuple[float, ...]
    told_s: float | None
    told_second_s: float | None
    told_step_s: float | None
    uncertainty_ms: float
    void: str
    belief: float = 0.0
    none: float = 0.0


def settings_of(number: int):
    """What scene `number` is like: SNRs, rooms, microphones, strangers and steps by turns, everything else drawn.

    No two of these turns go together, so that a group differs from another in nothing else.
    """
    from tests.hearing.stage import Settings

    others = number // len(SNRS_DB)
    return Settings(
        snr_db=SNRS_DB[number % len(SNRS_DB)],
        room=ROOMS[others % 3],
        microphone=MICROPHONES[others // 3 % 3],
        distractors=others % 2 == 1,
        approach=others // 2 % 2 == 1,
        recorded_share=1.0,
        as_published=True,
        reps=15,
    )


def hear_bare(job: tuple[str, str, int]) -> list[Row]:
    """One scene, its contacts told: heard twice, as a recording is."""
    from drilltimer.hear.ear import Ear, Opinion
    from tests.hearing import lessons, stage
    from tests.hearing.train import read_pack

    path, split, number = job
    rng = np.random.default_rng([number, 1])
    sources = read_pack(Path(path), split, 16_000 if rng.random() < 0.7 else 14_700)
    scene = stage.make_scene(9_000_000 + number, sources, settings_of(number), stage.image_rooms)
    heard: dict[int, tuple[float, Opinion]] = {}

    class KeepingEar(Ear):
        def read(self, take, channel, expected, lags):
            opinion = super().read(take, channel, expected, lags)
            heard[expected.rep] = opinion
            return opinion

    lessons.hear_scene(scene, KeepingEar(scene.rate_hz, scene.rate_hz), (-0.03, 0.03), 2)
    rows = []
    for rep, opinion in heard.items():
        at = [
            None if each is None else each.at / scene.rate_hz
            for each in (opinion.touchdown, opinion.second, opinion.step)
        ]
        unsure = opinion.touchdown.uncertainty_ms if opinion.touchdown else 0.0
        hypothesis = opinion.look.hypothesis if opinion.look else None
        rows.append(
            _row(
                scene.truth,
                rep,
                at,
                unsure,
                opinion.void,
                hypothesis.belief if hypothesis else 0.0,
                hypothesis.none if hypothesis else 0.0,
            )
        )
    return rows


def hear_file(job: tuple[str, str, int]) -> list[Row]:
    """One scene as a file, through `drilltimer score`."""
    import soundfile
    from click.testing import CliRunner

    from drilltimer.cli import main as program
    from tests.hearing import stage
    from tests.hearing.scene import sheet_of
    from tests.hearing.train import read_pack

    path, split, number = job
    rng = np.random.default_rng([number, 1])
    sources = read_pack(Path(path), split, 48_000 if rng.random() < 0.7 else 44_100)
    scene = stage.make_scene(9_000_000 + number, sources, settings_of(number), stage.image_rooms)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        soundfile.write(folder / "recorded.flac", scene.recorded, scene.rate_hz)
        soundfile.write(folder / "played.flac", scene.played, scene.rate_hz)
        truth = {**scene.truth, "played": "played.flac", "fs_played": scene.rate_hz}
        (folder / "sheet.json").write_text(json.dumps(sheet_of(truth)))
        answer = CliRunner().invoke(
            program, ["score", str(folder / "recorded.flac"), "--sheet", str(folder / "sheet.json"), "--json"]
        )
    if answer.exit_code:
        return [_row(scene.truth, rep["rep"], [None] * 3, 0.0, "no contact found") for rep in scene.truth["reps"]]
    rows = []
    for rep in json.loads(answer.stdout)["reps"]:
        at = [rep["touchdown_s"], rep["second_touchdown_s"], rep["first_step_s"]]
        rows.append(_row(scene.truth, rep["rep"], at, rep["ear_uncertainty_ms"] or 0.0, rep["void"] or ""))
    return rows


def _row(
    truth: dict, rep: int, told: list, uncertainty_ms: float, void: str, belief: float = 0.0, none: float = 0.0
) -> Row:
    landing = next((each for each in truth["landings"] if each["rep"] == rep), {})
    steps = [each["mic_s"] for each in truth["others"] if each["rep"] == rep and each["type"] == "first_step"]
    before = [
        each["mic_s"]
        for each in truth["others"]
        if each["rep"] == rep and each["type"] in ("approach_step", "toe_bounce")
    ]
    return Row(
        truth["scene"], truth["condition"], landing.get("mic_s"), landing.get("mic2_s"), steps[0] if steps else None,
        tuple(before), *told, uncertainty_ms, void, belief, none,
    )  # fmt: skip


def figures(rows: Iterable[Row]) -> dict[str, float]:
    """What a group of reps comes to."""
    rows = list(rows)
    landed = [row for row in rows if row.first_s is not None]
    told = [row for row in rows if row.told_s is not None]
    errors = np.array([row.told_s - row.first_s for row in told if row.first_s is not None])
    found = np.abs(errors) <= WRONG_S
    wrong = len(told) - int(found.sum())
    at_step = sum(
        any(abs(row.told_s - at_s) < WRONG_S for at_s in row.before_s)
        and (row.first_s is None or abs(row.told_s - row.first_s) > WRONG_S)
        for row in told
    )
    right = errors[found]
    unsure = np.array([row.uncertainty_ms for row in told if row.first_s is not None])[found]
    scaled = np.abs(1e3 * right) / np.maximum(unsure, 1e-3)
    quantile = lambda values, share: float(np.quantile(values, share)) if len(values) else float("nan")  # noqa: E731
    judged = [row for row in rows if not row.void]
    return {
        "landings": len(landed),
        "told": len(told),
        "F1": 2 * int(found.sum()) / max(len(told) + len(landed), 1),
        "recall": int(found.sum()) / max(len(landed), 1),
        "wrong": wrong / max(len(told), 1),
        "at a step": at_step / max(len(told), 1),
        "median": quantile(np.abs(1e3 * right), 0.5),
        "95%": quantile(np.abs(1e3 * right), 0.95),
        "bias": quantile(1e3 * right, 0.5),
        "68% e/u": quantile(scaled, 0.68),
        "void": sum(bool(row.void) for row in rows) / max(len(rows), 1),
        "missed": sum(not row.void and row.told_s is None for row in landed) / max(len(landed), 1),
        "made up": sum(row.told_s is not None for row in rows if row.first_s is None),
        "still": sum(row.first_s is None for row in judged),
    }


GROUPS: dict[str, Callable[[Row], str]] = {
    "SNR": lambda row: f"{row.condition['snr_db']:02.0f} dB",
    "room": lambda row: row.condition["room"],
    "microphone": lambda row: row.condition["mic"],
    "bed": lambda row: row.condition["bed"].split("+")[0],
    "distractors": lambda row: "with" if row.condition["distractors"] else "without",
    "steps before": lambda row: "with" if row.condition["approach"] else "without",
    "lead-in": lambda row: "swing" if row.condition["swing"] else "none",
    "contact over landing": lambda row: f"{5 * int(row.condition['cue_over_landing_db'] // 5):+d} dB",
}


def table(rows: list[Row], least_snr_db: float = 0.0) -> list[str]:
    """Lines of a table by group."""
    lines = []
    chosen = [row for row in rows if row.condition["snr_db"] >= least_snr_db]
    for group, key in {"all": lambda row: "", **GROUPS}.items():
        parts: dict[str, list[Row]] = defaultdict(list)
        for row in chosen:
            parts[key(row)].append(row)
        for name in sorted(parts):
            cells = figures(parts[name])
            if not lines:
                lines.append(f"{'':36}" + " ".join(f"{head:>9}" for head in cells))
            shown = " ".join(f"{value:9.3f}" if isinstance(value, float) else f"{value:9d}" for value in cells.values())
            lines.append(f"{group + ' ' + name:36}{shown}")
    return lines


@click.command()
@click.argument("sources", type=Path)
@click.option("--split", default="choose")
@click.option("--count", default=96)
@click.option("--first", default=0)
@click.option("--bare", is_flag=True)
@click.option("--least-snr", default=0.0)
@click.option("--workers", default=2)
@click.option("--keep", type=Path, default=None)
def main(
    sources: Path, split: str, count: int, first: int, bare: bool, least_snr: float, workers: int, keep: Path | None
) -> None:
    """Hear scenes of a split and print the table."""
    jobs = [(str(sources), split, first + number) for number in range(count)]
    with ProcessPoolExecutor(workers) as pool:
        rows = [row for part in pool.map(hear_bare if bare else hear_file, jobs, chunksize=2) for row in part]
    if keep is not None:
        import pickle

        keep.write_bytes(pickle.dumps(rows))
    click.echo("\n".join(table(rows, least_snr)))


if __name__ == "__main__":
    main()
