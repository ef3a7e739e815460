"""The same before and after: what some fifty commands print, write and answer, kept once and held against later.

    python -m tests.same record FOLDER      keep it, from the program that this Python imports
    python -m tests.same against FOLDER     tell what has become different; ends with 1 where anything has

For changes that must change nothing: new names, moved files, another cut of the house. Every verb, with simulated
players and fixed seeds, in a home of its own. What differs between two runs is taken out: folders, dates, uids,
versions, and how long a callback took. About five minutes on two cores.
"""

from __future__ import annotations

import difflib
import hashlib
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import soundfile

import drilltimer
from tests.feeding.scene import Setting, make_scene

DATA = Path(__file__).parent / "data"
HOUSE = str(Path(drilltimer.__file__).resolve().parents[1])
PROGRAM = [sys.executable, "-c", "from drilltimer.cli import main; main()"]
SIMULATED = "--simulate club --speed 0"
FEED = "--play rally --feeder-to-mic 11 --player-to-mic 4 --feeder-to-player 14 --air-c 18"

COMMANDS = f"""
--help
run --help
score --help
group --help
group run --help
feed --help
history --help
run steady-contact {SIMULATED} --seed 3
run serve-return {SIMULATED} --seed 3 --json
run direction --simulate novice --speed 0 --seed 4 --player Kim --record kim.wav --distance 3 --air-c 10
run test-block {SIMULATED} --seed 5 --player Kim
run test-block {SIMULATED} --seed 6 --player Kim
run test-block {SIMULATED} --seed 7 --player Kim
run catch --simulate expert --speed 0 --seed 2 --level advanced --feedback band --spoken
run reaction --simulate novice --speed 0 --seed 9 --distance 12
run no-such-drill {SIMULATED}
run steady-contact --simulate master --speed 0
run steady-contact {SIMULATED} --distance nan
run steady-contact {SIMULATED} --seed 3 --record kim.wav
run steady-contact {SIMULATED} --player ""
check --simulate club
check --simulate novice --short --json
drills
drills show serve-return
drills show fatigue-set
drills check broken.yaml
drills new ladder.yaml --sport squash
drills check ladder.yaml
drills schema
sounds
sounds play no-such-sound
render steady-contact practice.flac --seed 3
render direction far.wav --seed 8 --takes 2 --speaker-to-player 6 --player-to-recorder 2 --level beginner
render steady-contact practice.flac --seed 3
score kim.wav --player Kim
score kim.wav --json --distance 3
score kim.wav --sheet practice.cues.json
score practice.flac --sheet practice.cues.json --annotate pictures --player Ann
score damaged.wav --sheet kim.cues.json
score nothing.wav
score evening --sheet . --jobs 1 --player-by-folder
score evening --sheet . --jobs 1 --player-by-folder --json
group
group check club-circuit
group show club-circuit
group show two-courts
group run short-warm-up --simulate mixed --speed 0 --seed 1 --no-history
group run two-lanes --simulate mixed --speed 0 --seed 2 --sheet lanes.html --sheet lanes.csv --ranking
feed balls.wav {FEED} --player Bo
feed balls.wav {FEED} --json --level advanced
feed balls.wav --window 200 100 300
history
history --json
history Kim
history Kim --trend
history Kim --json
history session:1
history session:1 --json
history Bo
history session:5
history Kim --set-level child
history Nobody
compare Kim
compare Kim --json
compare Bo
report Kim -o kim.html
report Bo -o bo.html
export kim.csv --player Kim
export all.json
import all.json
import old.sqlite
history 1
backup copy.sqlite
forget Bo --yes
forget Nobody --yes
history
"""

TAKEN_OUT = (
    (re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?(\.\d+)?(Z|\+00:00)?"), "<moment>"),
    (re.compile(r"\d{4}-\d\d-\d\d"), "<day>"),
    (re.compile(r"\b[0-9a-f]{32}\b"), "<uid>"),
    (re.compile(r"\b[0-9a-f]{64}\b"), "<digest>"),
    (re.compile(r", session [0-9a-f]{8}\."), ", session <uid>."),
    (re.compile(r'"(python|numpy|scipy|system|drilltimer)": ?"[^"]*"'), r'"\1": "<version>"'),
    (re.compile(r'(worst_callback_ms"?:? ?)[0-9.]+'), r"\1<time>"),
    (re.compile(r'(\.cues\.json": ")[0-9a-f]{16}'), r"\1<digest>"),
    (re.compile(r'("(modified|made_from|mtime)[^"]*": ?)[0-9.]+'), r"\1<moment>"),
)


def lay_out(folder: Path) -> None:
    """What the commands find there."""
    setting = Setting(
        6001, play="rally", room="outdoor", feeder="string", feeder_m=12.0, neighbours=False, snr_db=30.0,
        length_s=40.0, clips=False,
    )  # fmt: skip
    scene = make_scene(setting)
    soundfile.write(folder / "balls.wav", scene.samples, scene.rate_hz, subtype="PCM_16")
    (folder / "broken.yaml").write_bytes((DATA / "broken" / "wrong-types.yaml").read_bytes())
    (folder / "nothing.wav").write_bytes(b"RIFF")
    import sqlite3

    with sqlite3.connect(folder / "old.sqlite") as old:
        old.executescript((DATA / "history-schema-1.sql").read_text(encoding="utf-8"))
    old.close()


def after(command: str, folder: Path) -> None:
    """What somebody does between two commands."""
    if "--record kim.wav --distance" in command:
        whole = (folder / "kim.wav").read_bytes()
        (folder / "damaged.wav").write_bytes(whole[: len(whole) * 2 // 3])
        (folder / "evening" / "Lou").mkdir(parents=True)
        (folder / "evening" / "Lou" / "hall.wav").write_bytes(whole)
        (folder / "evening" / "Lou" / "bad.wav").write_bytes(b"RIFF")


def told(folder: Path) -> Iterator[tuple[str, str]]:
    """Each command with what it answered, printed and wrote."""
    home = folder / "home"
    environment = {**os.environ, "DRILLTIMER_HOME": str(home), "TZ": "UTC", "LC_ALL": "C.UTF-8", "COLUMNS": "100"}
    seen = dict.fromkeys(_files(folder), "")
    for command in filter(None, COMMANDS.splitlines()):
        words = [word.strip('"') for word in command.split()]
        done = subprocess.run(
            [*PROGRAM, *words], cwd=folder, env=environment, capture_output=True, text=True, stdin=subprocess.DEVNULL,
            timeout=600, check=False,
        )  # fmt: skip
        parts = [f"exit {done.returncode}", "--- stdout", done.stdout, "--- stderr", done.stderr]
        for path in _files(folder):
            content = _content(path)
            if seen.get(path) != content:
                seen[path] = content
                parts += [f"--- {path.relative_to(folder)}", content]
        text = "\n".join(parts).replace(str(folder), "<folder>").replace(HOUSE, "<house>")
        for pattern, instead in TAKEN_OUT:
            text = pattern.sub(instead, text)
        yield command, text
        after(command, folder)


def _files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file() and path.suffix not in (".sqlite", ".lock"))


def _content(path: Path) -> str:
    """A text as it stands; of anything else what tells it from others."""
    content = path.read_bytes()
    try:
        return content.decode()
    except UnicodeDecodeError:
        return f"{len(content)} bytes, {hashlib.sha256(content).hexdigest()[:16]}"


def _name(place: int, command: str) -> str:
    return f"{place:02d}-{re.sub(r'[^a-z0-9]+', '-', command.lower())[:60].strip('-')}.txt"


def main(task: str, kept: Path) -> int:
    """Keep, or compare; answers the exit code."""
    kept.mkdir(parents=True, exist_ok=task == "against")
    different = []
    with tempfile.TemporaryDirectory(prefix="same-") as name:
        folder = Path(name).resolve()
        lay_out(folder)
        for place, (command, text) in enumerate(told(folder)):
            path = kept / _name(place, command)
            if task == "record":
                path.write_text(text, encoding="utf-8", newline="")
                continue
            before = path.read_bytes().decode() if path.exists() else ""
            if before != text:
                different.append(command)
                print(
                    "\n".join(
                        difflib.unified_diff(before.split("\n"), text.split("\n"), command, "now", lineterm="", n=1)
                    )
                )
    if task == "against":
        print(f"{len(different)} commands differ" if different else "no difference")
    return bool(different)


if __name__ == "__main__":
    if len(sys.argv) != 3 or sys.argv[1] not in ("record", "against"):
        sys.exit(__doc__)
    sys.exit(main(sys.argv[1], Path(sys.argv[2])))
