"""The virtual sound card, for tests marked `audio`.

A private copy of it runs for this test session alone, so that sessions side by side do not disturb each other. It is
started by the first test that asks for it; where it cannot be, such tests skip and say what is missing. With
DRILLTIMER_AUDIO_TESTS=required in the environment they fail instead, and so does a run in which none of them passed.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from drilltimer.app.interrupt import REQUESTS, forget_request
from drilltimer.audio.devices import load_portaudio
from drilltimer.errors import DeviceError

# Nothing fails for taking its time: machines are busy.
settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")

CARD = Path(__file__).with_name("virtual-sound-card.sh")
GET_IT = (
    "these tests need Linux with PortAudio and PipeWire: "
    "apt-get install --no-install-recommends libportaudio2 pipewire pipewire-bin pipewire-alsa wireplumber"
)
Card = Callable[..., str]
REQUIRED = os.environ.get("DRILLTIMER_AUDIO_TESTS") == "required"

_real_time: set[Path] = set()  # files with tests marked `audio`
_outcomes: dict[str, int] = {"passed": 0, "failed": 0, "skipped": 0}  # of the tests marked `audio`

# Files that take ten seconds and more: the process that got such a one last would keep the others waiting.
SLOW = (
    "test_group_on_court.py", "test_on_court.py", "test_survival.py", "test_feed_live.py", "test_live.py",
    "test_group.py", "test_lanes.py", "test_folder.py", "test_cli.py", "test_feed_scenes.py", "test_footsteps.py",
    "test_listen.py", "test_feed.py", "test_accuracy.py", "test_coach_keys.py", "test_rendering.py", "test_crash.py",
    "test_films.py", "test_segments.py", "test_published_sound.py", "test_broken_recordings.py", "test_room.py",
    "test_shipped_drills.py",
)  # fmt: skip
NICE = 10  # of processes that only compute


def pytest_configure(config: pytest.Config) -> None:
    for name in REQUESTS:  # in the background of a script, or by nohup, some are ignored, by all that tests start, too
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_IGN:
            signal.signal(number, signal.default_int_handler if name == "SIGINT" else signal.SIG_DFL)
    config.option.loadscopereorder = False  # xdist's own order: the files with the most tests first


@pytest.hookimpl(trylast=True)  # once those that are not to run are gone
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files in real time first, side by side, as they leave processors idle; then the others, slow ones first."""
    rank = {name: place for place, name in enumerate(SLOW)}
    _real_time.update(item.path for item in items if item.get_closest_marker("audio"))
    items.sort(key=lambda item: (item.path not in _real_time, rank.get(item.path.name, len(rank))))  # stable


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Whatever computes lets pass what has to be in time; where nothing has, it takes its share of a busy machine."""
    in_one_of_several = hasattr(item.config, "workerinput") and hasattr(os, "nice")
    if in_one_of_several and _real_time and item.path not in _real_time and os.nice(0) < NICE:
        os.nice(NICE - os.nice(0))


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    if "audio" in report.keywords and (report.when == "call" or report.outcome != "passed"):
        _outcomes[report.outcome] += 1


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    if hasattr(session.config, "workerinput"):
        return  # one of several processes: the one above them sees the tests of all
    if REQUIRED and not exitstatus and (_outcomes["skipped"] or not _outcomes["passed"]):
        print(f"\nDRILLTIMER_AUDIO_TESTS=required, but of the tests marked audio: {_outcomes}")
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def _card(*arguments: str) -> str:
    done = subprocess.run(
        ["sh", str(CARD), *arguments], check=True, capture_output=True, text=True, timeout=60, stdin=subprocess.DEVNULL
    )
    return done.stdout


def _start() -> str:
    """Start the card and point this process at it; returns why that failed."""
    try:
        _card("start")
        exports = dict(re.findall(r"^export (\w+)='?([^'\n]*)'?$", _card("env"), re.MULTILINE))
        os.environ.update(exports)  # before PortAudio reads its list of devices: at its import, or in rescan()
        load_portaudio()
    except subprocess.CalledProcessError as fault:
        return str(fault.stderr).strip()  # names what is missing and the packages that hold it
    except (OSError, subprocess.TimeoutExpired, DeviceError) as fault:
        return f"{fault}; {GET_IT}"
    return ""


@pytest.fixture(autouse=True)
def _requests_to_end_as_before() -> Iterator[None]:
    """The handlers that the program sets, when it is run in this process, are taken back."""
    numbers = [getattr(signal, name) for name in REQUESTS if hasattr(signal, name)]
    before = [signal.getsignal(number) for number in numbers]
    yield
    forget_request()
    for number, handler in zip(numbers, before, strict=True):
        signal.signal(number, handler)


@pytest.fixture(scope="session")
def _running_card() -> Iterator[str]:
    before = dict(os.environ)
    folder = tempfile.mkdtemp(prefix="drilltimer-card-", dir="/tmp" if os.path.isdir("/tmp") else None)
    os.environ["VSC_DIR"] = folder
    missing = _start()
    yield missing
    if shutil.which("sh"):
        subprocess.run(["sh", str(CARD), "stop"], check=False, capture_output=True, timeout=60)
    for name in os.environ.keys() - before.keys():
        del os.environ[name]
    os.environ.update(before)
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def sound_card(_running_card: str) -> Iterator[Card]:
    """The running virtual sound card; call it with a command of its script, e.g. `sound_card("crash")`.

    What a test breaks is mended after it; the room is plain loopback at gain 0.3 again.
    """
    if _running_card:
        if REQUIRED:
            pytest.fail(f"DRILLTIMER_AUDIO_TESTS=required, but {_running_card}")
        pytest.skip(_running_card)
    given: list[str] = []

    def command(*arguments: str) -> str:
        given.append(arguments[0])
        return _card(*arguments)

    yield command
    if {"crash", "unplug", "freeze"} & set(given):
        _card("restart")
    elif "room" in given:
        _card("room", "0.3", "0")
