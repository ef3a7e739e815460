"""How long each list takes, and how much memory, in a history of 100,000 sessions (3 million reps).

usage: .venv/bin/python tests/benchmarks/history_size.py [SESSIONS]

Builds the history by bulk insert in a temporary folder (about 1 GB), then runs each verb in a process of its own and
prints its time, start of Python included, and its peak memory. One player has a quarter of all sessions.

Measured 2026-11-25, warm files, 867 MB:

    history (200 players)                        0.14 s   33 MB
    history p0 (25,000 sessions; the latest 20)  0.28 s   33 MB
    history p0 --limit 1000                      0.35 s   36 MB
    history session:77777                        0.45 s   54 MB
    compare p0                                   0.33 s   58 MB
    report p0                                    0.61 s   62 MB
    export all.json                              37 s     33 MB
    keeping one rep                              median 0.2 ms, worst 0.3 ms
"""

from __future__ import annotations

import json
import os
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))

from history_player import made_reps, made_session

from drilltimer.history.entries import REP_COLUMNS, SESSION_COLUMNS, Player, rep_row, session_row
from drilltimer.history.store import History

PLAYERS = 200
REPS = 30
VERBS = (
    ("history",),
    ("history", "p0"),
    ("history", "p0", "--limit", "1000"),
    ("history", "p0", "--trend"),
    ("history", "p7", "--before", "50000"),
    ("history", "session:77777"),
    ("compare", "p0"),
    ("report", "p0", "-o", "report.html"),
    ("export", "p7.csv", "--player", "p7"),
    ("export", "all.json"),
    ("run", "steady-contact", "--simulate", "expert", "--speed", "0", "--player", "p0", "--plain"),
)


def build(path: Path, sessions: int) -> None:
    draw = random.Random(1)
    rows = [rep_row(entry) for entry in made_reps(scatter_ms=50)[:REPS]]
    for row in rows:
        row["warm_up"] = 0
    plain = session_row(made_session())
    with History(path) as history:
        history.database.execute("PRAGMA synchronous = OFF")
        players = [history.add_player(Player(f"p{number}")) for number in range(PLAYERS)]

        def session_rows() -> Iterator[dict[str, Any]]:
            for number in range(1, sessions + 1):
                player = players[0] if number % 4 == 0 else players[number % PLAYERS]
                day = time.gmtime(1_600_000_000 + 900 * number)
                started = time.strftime("%Y-%m-%dT%H:%M:%SZ", day)
                yield plain | {"uid": f"u{number}", "player": player, "number": number, "started_utc": started}

        def rep_rows() -> Iterator[dict[str, Any]]:
            for number in range(1, sessions + 1):
                for row in rows:
                    off_ms = draw.gauss(0, 40)
                    timed = row["error_ms"] is not None
                    yield (
                        row
                        | {"session": number}
                        | ({"error_ms": off_ms, "touchdown_ms": 133 + off_ms} if timed else {})
                    )

        with history.transaction():
            _fill(history, "sessions", ("number", "player", *SESSION_COLUMNS), session_rows())
            _fill(history, "reps", ("session", *REP_COLUMNS), rep_rows())


def _fill(history: History, table: str, columns: tuple[str, ...], rows: Iterator[dict[str, Any]]) -> None:
    names, places = ", ".join(columns), ", ".join(f":{name}" for name in columns)
    history.database.executemany(f"INSERT INTO {table} ({names}) VALUES ({places})", rows)


def measure(folder: Path, verb: tuple[str, ...]) -> None:
    """Run a verb as a child; its peak memory comes from a grandchild's usage, so that children do not add up."""
    program = (
        "import json, resource, subprocess, sys, time\n"
        "began = time.perf_counter()\n"
        "command = [sys.executable, '-c', 'from drilltimer.cli import main; main()', *sys.argv[1:]]\n"
        "done = subprocess.run(command, capture_output=True, text=True)\n"
        "took_s = time.perf_counter() - began\n"
        "peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss\n"
        "print(json.dumps([done.returncode, took_s, peak, len(done.stdout.splitlines()), done.stderr[-200:]]))\n"
    )
    environment = os.environ | {"DRILLTIMER_HOME": str(folder)}
    answer = subprocess.run(
        [sys.executable, "-c", program, *verb], cwd=folder, env=environment, capture_output=True, text=True, check=True
    )
    code, took_s, peak_kib, lines, told = json.loads(answer.stdout)
    print(f"{' '.join(verb):60} exit {code}  {took_s:7.2f} s  {peak_kib / 1024:6.0f} MB  {lines} lines")
    if code:
        print(told)


def main() -> None:
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        began_s = time.perf_counter()
        build(folder / "history.sqlite", sessions)
        size = (folder / "history.sqlite").stat().st_size
        took_s = time.perf_counter() - began_s
        print(f"{sessions} sessions, {sessions * REPS} reps: {size / 1e6:.0f} MB, built in {took_s:.0f} s")
        for verb in VERBS:
            measure(folder, verb)
        _one_rep(folder)
    print(f"building took {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


def _one_rep(folder: Path) -> None:
    """How long the session that runs is held up by keeping one rep."""
    entries = made_reps()
    with History(folder / "history.sqlite") as history:
        number = history.begin(replace(made_session("p0"), uid="new"))
        times_s = []
        for entry in entries:
            began_s = time.perf_counter()
            history.add_reps(number, [entry])
            times_s.append(time.perf_counter() - began_s)
    times_s.sort()
    print(f"one rep: median {1e3 * times_s[len(times_s) // 2]:.1f} ms, worst {1e3 * times_s[-1]:.1f} ms")


if __name__ == "__main__":
    main()
