"""The live screen for a verb that runs a session."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drilltimer.ui.live import LiveScreen
    from drilltimer.ui.wording import Wording


def wording_for(language: str) -> Wording:
    """Texts in that language, the user's own before the shipped ones.

    Raises
    ------
    UserError
        There are none.
    """
    from drilltimer.audio.files import user_folder
    from drilltimer.ui.wording import load_wording

    return load_wording(language, [user_folder("drills").parent / "texts"])


def open_screen(title: str, wording: Wording) -> LiveScreen | None:
    """The live screen, or None where there is no terminal."""
    from drilltimer.ui.live import LiveScreen, has_screen, this_palette

    return LiveScreen(title, wording, this_palette()) if has_screen() else None
