"""Draw the live screen of a simulated session as text, and put it into the guide.

python tests/screen_demo.py            prints it
python tests/screen_demo.py --write    replaces the picture in the chapter "On court"
"""

from __future__ import annotations

import argparse
import io
import re
from pathlib import Path

from rich.console import Console

from drilltimer.app.live import run_live
from drilltimer.app.open import open_room
from drilltimer.app.plan import make_plan
from drilltimer.model import Placement
from drilltimer.ui.screen import Viewport, draw
from drilltimer.ui.wording import load_wording

CHAPTER = Path(__file__).parent.parent / "drilltimer" / "guide" / "court.md"
SIZE = (76, 24)  # with its margins it fits a terminal of 80 columns
REP = 12
PICTURE = re.compile(r"(<!-- made by tests/screen_demo.py -->\n```text\n).*?(```\n)", re.DOTALL)


class Camera:
    """In the screen's place: one picture when the player has been told about rep `REP` or a later one."""

    picture = ""

    def tick(self, session, health):
        snapshot = session.snapshot()
        if self.picture or snapshot.done < REP or snapshot.shown is None:
            return
        out = io.StringIO()
        console = Console(file=out, width=SIZE[0], height=SIZE[1], color_system=None, legacy_windows=False)
        console.print(draw("Serve return", snapshot, health(), Viewport(*SIZE), load_wording()), end="")
        self.picture = "\n".join(line.rstrip() for line in out.getvalue().splitlines()) + "\n"

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None


def take_picture() -> str:
    camera = Camera()
    place = Placement(3.0, 3.0, 0.3)
    plan = make_plan("serve-return", 3)
    run_live(
        plan, open_room("club", 3, place, 0.0), place, on_rep=lambda *_: None, on_trouble=print, screen=camera
    )  # fmt: skip
    return camera.picture


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--write", action="store_true")
    picture = take_picture()
    if not parser.parse_args().write:
        print(picture, end="")
        return
    text = CHAPTER.read_text(encoding="utf-8")
    CHAPTER.write_text(PICTURE.sub(lambda found: found[1] + picture + found[2], text), encoding="utf-8")


if __name__ == "__main__":
    main()
