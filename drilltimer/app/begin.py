"""A new drill file for a coach to fill in, with the schema that lets an editor help."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

from drilltimer.audio.files import DRILL_SUFFIXES, list_drills, user_folder
from drilltimer.audio.paths import expanded
from drilltimer.drill.language import drill_schema
from drilltimer.drill.sports import starting_file
from drilltimer.errors import DrillFileError

SCHEMA_FILE = "drill.schema.json"
_NAME = re.compile(r"[A-Za-z0-9][\w-]{0,59}", re.ASCII)


def begin_drill(name: str, sport: str) -> Path:
    """Write a commented file, and the schema beside it; answers the file's path.

    Parameters
    ----------
    name : str
        A name, for the user's drills folder, or a path that ends in .yaml or .yml.
    sport : str
        One of `drill.sports.SPORTS`.

    Raises
    ------
    DrillFileError
        The name is none, is taken, or nothing can be written there. No file is ever replaced.
    """
    path = expanded(name)
    if path.name == name and path.suffix.lower() not in DRILL_SUFFIXES:
        path = user_folder("drills") / f"{name}.yaml"
        if name.casefold() in {drill.name.casefold() for drill in list_drills()}:
            raise DrillFileError(f"a drill called '{name}' is there already", fix="Choose another name.")
    if not _NAME.fullmatch(path.stem) or path.suffix.lower() not in DRILL_SUFFIXES:
        raise DrillFileError(
            f"'{name}' cannot be the name of a drill",
            fix="Use letters, digits, - and _, such as net-ladder; a path ends in .yaml.",
        )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(starting_file(path.stem, sport, SCHEMA_FILE))
        schema = json.dumps(drill_schema(), indent=2) + "\n"
        (path.parent / SCHEMA_FILE).write_text(schema, encoding="utf-8")
    except FileExistsError:
        if not os.path.isfile(path):  # the folder's place is taken by a file
            raise DrillFileError(f"{path}: cannot be written", fix="Choose another folder.") from None
        raise DrillFileError(f"{path}: is there already", fix="Choose another name.") from None
    except OSError as fault:
        raise DrillFileError(f"{path}: cannot be written: {fault.strerror}", fix="Choose another folder.") from fault
    return path
