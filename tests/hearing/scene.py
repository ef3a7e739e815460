"""The sheet of a scene with truth, in the format of the development recordings."""

from __future__ import annotations

from pathlib import Path

ROLES = {"contact": "contact", "call": "call", "swing": "precue"}


def sheet_of(truth: dict, folder: Path = Path()) -> dict:
    """A sheet as a stranger would write it by hand: nothing but what the contract demands."""
    reps = [
        {
            "rep": rep["rep"],
            "cues": [
                {"role": ROLES[cue["type"]], "at_s": cue["played_s"]}
                for cue in truth["cues"]
                if cue["rep"] == rep["rep"]
            ],
        }
        for rep in truth["reps"]
    ]
    return {"schema": 1, "audio": str(folder / truth["played"]), "rate_hz": truth["fs_played"], "reps": reps}
