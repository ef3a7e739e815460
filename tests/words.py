"""Facts and errors in English words, as a user reads them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from drilltimer.ui.wording import Tellable, english

say = english().tell


class Words(list[str]):
    """A list of what was told, in words."""

    def append(self, what: Tellable) -> None:
        """Take what is told."""
        super().append(say(what))


@contextmanager
def refused(kind: type[Exception], match: str) -> Iterator[None]:
    """As `pytest.raises`, its words matched as a user reads them."""
    with pytest.raises(kind) as caught:
        yield
    told = say(caught.value)  # type: ignore[arg-type]
    assert re.search(match, told), told
