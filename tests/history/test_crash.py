"""Writers killed at random moments: the file stays whole and no rep that was reported as kept is lost."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from drilltimer.history import queries
from drilltimer.history.store import History

pytestmark = pytest.mark.long

KILLS = 50
WRITER = """
import sys
from pathlib import Path
from drilltimer.history.store import History
from history_player import made_reps, made_session

reps = made_reps()
print("ready", flush=True)
with History(Path(sys.argv[1])) as history:
    for life in range(10_000):
        number = history.begin(made_session(uid=f"{sys.argv[2]}-{life}"))
        for rep in reps:
            history.add_reps(number, [rep])
            print(f"{sys.argv[2]}-{life} {rep.rep.index}", flush=True)
"""


@pytest.mark.skipif(os.name != "posix", reason="kill -9 is POSIX's")
def test_killed_writers_lose_no_committed_rep(tmp_path: Path) -> None:
    path, draw = tmp_path / "history.sqlite", random.Random(9)
    promised: set[tuple[str, int]] = set()
    for kill in range(0, KILLS, 2):  # two at once: they write to the same file
        writers = [
            subprocess.Popen(
                [sys.executable, "-c", WRITER, str(path), str(kill + each)],
                stdout=subprocess.PIPE,
                text=True,
                cwd=Path(__file__).parents[1],
            )
            for each in range(2)
        ]
        for writer in writers:
            assert writer.stdout is not None
            assert writer.stdout.readline() == "ready\n"
        for writer in writers:
            time.sleep(draw.uniform(0.0, 0.12))  # not waiting for anything: the moment is what is drawn
            writer.send_signal(signal.SIGKILL)
        for writer in writers:
            assert writer.stdout is not None
            with writer.stdout:
                told = writer.stdout.read()
            assert writer.wait(30) == -signal.SIGKILL
            whole = told[: told.rfind("\n") + 1].splitlines()
            promised |= {(uid, int(rep)) for uid, rep in (line.split() for line in whole)}
    with History(path) as history:
        assert [row[0] for row in history.rows("PRAGMA integrity_check")] == ["ok"]
        assert list(history.rows("PRAGMA foreign_key_check")) == []
        rows = history.rows("SELECT s.uid, r.rep FROM reps r JOIN sessions s ON s.number = r.session")
        kept = {(row["uid"], row["rep"]) for row in rows}
        assert not promised - kept
        # At most the one rep that each writer had committed and not yet told of.
        assert len(kept - promised) <= KILLS
        assert len(promised) > KILLS
        for row in history.rows("SELECT number FROM sessions"):
            reps = [entry.rep.index for entry in queries.reps(history, row["number"])]
            assert reps == list(range(len(reps)))
