"""Our ear beside librosa's, aubio's and ObsPy's onset pickers: one process, the same recordings, the same cue times.

    pip install -e '.[test,bench]'
    python -m tests.benchmarks.pickers            # writes its table into tests/accuracy/README.md; ten minutes
    python -m tests.benchmarks.pickers --quick    # two recordings of each kind, writes nothing

The others are treated better than we are. They get the cues' arrivals and each rep's search stretch from our own
alignment; what they find at an arrival is set aside; of what is left they answer the first or the strongest onset. Each
runs in a dozen of its settings, on the recording and on what our own canceller leaves of it, and the table has the
setting with the best F1 over the very recordings that judge it, its median error taken off as a calibration would.
"""

from __future__ import annotations

import itertools
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.benchmarks.picker_libraries import LIBRARIES, Picks
from tests.benchmarks.picker_recordings import Recording, Search, all_recordings

GUIDE = Path(__file__).resolve().parents[1] / "accuracy" / "README.md"
BEGINS, ENDS = "<!-- pickers begins -->", "<!-- pickers ends -->"
HEAD = "| recordings | picker | hears | setting | F1 | median abs. error | 95 % | bias | CPU s per minute |"
FOUND_S = 0.05
BEFORE_S, AFTER_S = 0.3, 0.7  # a landing is searched so far around the contact, as in `hear.decide`
GATES_S = ((-0.005, 0.0), (-0.01, 0.03), (-0.01, 0.08))  # around a cue's arrival: an onset there is the cue's
RULES = ("first", "strongest")


@dataclass(frozen=True, slots=True)
class Result:
    """What a picker came to. Errors in ms over the landings found; `bias_ms` was taken off them."""

    setting: str
    found: int
    missed: int
    made_up: int
    errors_ms: np.ndarray
    bias_ms: float
    cpu_s_per_min: float

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        return 2 * self.found / max(2 * self.found + self.missed + self.made_up, 1)

    def row(self, group: str, picker: str, signal: str) -> str:
        """A row of the table."""
        size = np.abs(self.errors_ms) if len(self.errors_ms) else np.array([np.nan])
        return (
            f"| {group} | {picker} | {signal} | {self.setting} | {self.f1:.3f} | {np.median(size):.2f} ms | "
            f"{np.quantile(size, 0.95):.1f} ms | {self.bias_ms:+.1f} ms | {self.cpu_s_per_min:.2f} |"
        )


Answers = list[tuple[float | None, float | None]]  # (picked, true) touchdown of every rep, s


def compare(answers: Answers, setting: str, cpu_s_per_min: float, *, calibrated: bool) -> Result:
    """Count what was found within 50 ms; a calibrated picker's median error is taken off first."""
    near_s = [picked - true for picked, true in answers if picked is not None and true is not None]
    near_s = [error for error in near_s if abs(error) <= FOUND_S]
    bias_s = float(np.median(near_s)) if near_s else 0.0
    off_s = bias_s if calibrated else 0.0
    errors_ms, missed, made_up = [], 0, 0
    for picked, true in answers:
        if picked is not None and true is not None and abs(picked - off_s - true) <= FOUND_S:
            errors_ms.append(1e3 * (picked - off_s - true))
        else:
            missed += true is not None
            made_up += picked is not None
    return Result(setting, len(errors_ms), missed, made_up, np.array(errors_ms), 1e3 * bias_s, cpu_s_per_min)


def choose(picks: Picks, search: Search, cues_s: np.ndarray, gate_s: tuple[float, float], rule: str) -> float | None:
    """The onset that a picker, told where the cues are, takes for the landing."""
    times_s, strengths = picks
    low_s = max(search.opens_s, search.contact_s - BEFORE_S)
    high_s = min(search.closes_s, search.contact_s + AFTER_S)
    inside = np.flatnonzero((times_s >= low_s) & (times_s <= high_s))
    after_s = times_s[inside, None] - cues_s[None, :]
    inside = inside[~np.any((after_s >= gate_s[0]) & (after_s < gate_s[1]), axis=1)]
    if not len(inside):
        return None
    return float(times_s[inside[0] if rule == "first" else inside[np.argmax(strengths[inside])]])


def best_of(library: str, recordings: Sequence[Recording], signal: str) -> Result:
    """The library's best setting by F1, then by median error."""
    results = []
    minutes = sum(recording.duration_s for recording in recordings) / 60.0
    for setting, pick in LIBRARIES[library]().items():
        picked, cpu_s = [], 0.0
        for recording in recordings:
            began_s = time.process_time()
            picked.append(pick(*recording.signals[signal]))
            cpu_s += time.process_time() - began_s
        for gate_s, rule in itertools.product(GATES_S, RULES):
            answers = [
                (choose(picks, search, recording.cues_s, gate_s, rule), recording.truth_s[search.rep])
                for recording, picks in zip(recordings, picked, strict=True)
                for search in recording.searches
            ]
            told = f"{setting}; {rule}, {1e3 * gate_s[1]:.0f} ms after cues left out"
            results.append(compare(answers, told, cpu_s / minutes, calibrated=True))
    return max(
        (result for result in results if result.found),
        key=lambda result: (result.f1, -np.median(np.abs(result.errors_ms))),
    )


def ours(recordings: Sequence[Recording]) -> Result:
    """Our own answers, as `score` tells them."""
    minutes = sum(recording.duration_s for recording in recordings) / 60.0
    answers = [
        (recording.ours_s[search.rep], recording.truth_s[search.rep])
        for recording in recordings
        for search in recording.searches
    ]
    cpu_s = sum(recording.cpu_s for recording in recordings)
    return compare(answers, "as shipped, nothing taken off", cpu_s / minutes, calibrated=False)


def main() -> None:
    """Print the table and put it into the guide."""
    quick = "--quick" in sys.argv
    warm = next(all_recordings(1))  # imports and compilation are nobody's cost
    for settings in LIBRARIES.values():
        next(iter(settings().values()))(*warm.signals["raw"])
    recordings = list(all_recordings(2 if quick else None))
    lines = [HEAD, "|---" * (HEAD.count("|") - 1) + "|"]
    print("\n".join(lines))
    for group in dict.fromkeys(recording.group for recording in recordings):
        chosen = [recording for recording in recordings if recording.group == group]
        landings = sum(recording.truth_s[each.rep] is not None for recording in chosen for each in recording.searches)
        name = f"{group}: {len(chosen)}, {landings} landings"
        rows = [ours(chosen).row(name, "drilltimer", "raw")]
        print(rows[0], flush=True)
        for library, signal in itertools.product(LIBRARIES, ("raw", "without our cues")):
            rows.append(best_of(library, chosen, signal).row(name, library, signal))
            print(rows[-1], flush=True)
        lines += rows
    if not quick:
        text = GUIDE.read_text(encoding="utf-8")
        before, rest = text.split(BEGINS, 1)
        after = rest.split(ENDS, 1)[1]
        GUIDE.write_text(before + BEGINS + "\n" + "\n".join(lines) + "\n" + ENDS + after, encoding="utf-8")


if __name__ == "__main__":
    main()
