"""The live screen for a verb that runs a session."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drilltimer.ui.live import LiveScreen


def open_screen(title: str, language: str) -> LiveScreen | None:
    """The live screen, or None where there is no terminal.

    Raises
    ------
    UserError
        There are no texts in that language.
    """
    from drilltimer.audio.files import user_folder
    from drilltimer.ui.live import LiveScreen, has_screen, this_palette
    from drilltimer.ui.wording import load_wording

    wording = load_wording(language, [user_folder("drills").parent / "texts"])
    return LiveScreen(title, wording, this_palette()) if has_screen() else None
