"""From measurements to what is wrong, and how bad it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from drilltimer.checkup.course import STEP_DB
from drilltimer.checkup.measure import Measured

Result = Literal["good", "usable", "unusable"]

# Limits are our choice.
NOISE_LIMIT_DB = -40.0
CLIPPED_LIMIT = 0.02
SPREAD_LIMIT_MS = 0.5
DRIFT_LIMIT_PPM = 200.0
RATE_LIMIT = 0.01
STEP_LIMIT_DB = 3.0
HISS_LIMIT_DB = 4.0
ECHO_LIMIT_DB = 6.0
HEARD_SHARE = 0.8
CONTACT_LIMIT_DB = 10.0
AUDIBLE_LIMIT = 0.8  # one hop of six may have been no hop


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong. `key` names its text, `values` fill that in; `stops` when nothing can be scored so."""

    key: str
    values: tuple[tuple[str, float], ...] = ()
    stops: bool = False


@dataclass(frozen=True, slots=True)
class Hops:
    """How well the player's landings were heard.

    `over_noise_db`: peak over the noise's RMS, in the landing's band. `audible_share`: of such landings that would be
    heard in the noise of these seconds, whenever they came.
    """

    asked: int
    heard: int
    over_noise_db: float | None
    audible_share: float | None = None


def find_faults(measured: Measured, rate_hz: int, hops: Hops | None = None) -> list[Finding]:
    """Everything that is wrong, worst first."""
    if measured.zeros:
        return [Finding("zeros", stops=True)]
    found = [*_timing(measured, rate_hz), *_level(measured), *_enhancements(measured)]
    if hops is not None:
        if hops.heard < HEARD_SHARE * hops.asked:
            found.append(Finding("no_landings", (("asked", hops.asked), ("heard", hops.heard))))
        elif hops.audible_share is not None and hops.audible_share < AUDIBLE_LIMIT:
            over = (("db", hops.over_noise_db),) if hops.over_noise_db is not None else ()
            found.append(Finding("soft_landing", (("of_100", round(100.0 * hops.audible_share)), *over)))
    return sorted(found, key=lambda each: not each.stops)


def result_of(findings: list[Finding]) -> Result:
    """The verdict."""
    if any(finding.stops for finding in findings):
        return "unusable"
    return "usable" if findings else "good"


def _timing(measured: Measured, rate_hz: int) -> list[Finding]:
    found = []
    loud = [echo for echo in measured.echoes if echo.gain_db == 0.0]
    heard = sum(echo.lag_ms is not None for echo in loud)
    if not heard:
        found.append(Finding("no_cue", stops=True))
    elif heard < HEARD_SHARE * len(loud):
        found.append(Finding("some_cues", (("heard", heard), ("played", len(loud)))))
    if measured.true_rate_hz is not None and abs(measured.true_rate_hz / rate_hz - 1.0) > RATE_LIMIT:
        percent = 100.0 * abs(measured.true_rate_hz / rate_hz - 1.0)
        found.append(Finding("rate", (("percent", percent), ("rate", rate_hz)), stops=True))
    if measured.spread_ms is not None and measured.spread_ms > SPREAD_LIMIT_MS:
        found.append(Finding("spread", (("ms", measured.spread_ms),)))
    if measured.drift_ppm is not None and abs(measured.drift_ppm) > DRIFT_LIMIT_PPM:
        found.append(Finding("drift", (("ppm", measured.drift_ppm),)))
    if measured.lost_blocks:
        found.append(Finding("lost", (("blocks", measured.lost_blocks),)))
    return found


def _level(measured: Measured) -> list[Finding]:
    found = []
    if measured.clipped_share > CLIPPED_LIMIT:
        found.append(Finding("clipping", (("percent", 100.0 * measured.clipped_share),)))
    if measured.noise_db is not None and measured.noise_db > NOISE_LIMIT_DB:
        found.append(Finding("loud_noise", (("db", measured.noise_db),)))
    if measured.contact_over_noise_db is not None and measured.contact_over_noise_db < CONTACT_LIMIT_DB:
        found.append(Finding("faint_contact", (("db", measured.contact_over_noise_db),)))
    if measured.hum_hz is not None and measured.hum_db is not None:
        found.append(Finding("hum", (("hz", measured.hum_hz), ("db", measured.hum_db))))
    return found


def _enhancements(measured: Measured) -> list[Finding]:
    """What the system does to the microphone's sound to please telephones."""
    found = []
    clipped = measured.clipped_share > CLIPPED_LIMIT  # which brings loud and soft closer, too
    if measured.step_db is not None and abs(measured.step_db - STEP_DB) > STEP_LIMIT_DB and not clipped:
        found.append(Finding("gain_control", (("asked", STEP_DB), ("heard", measured.step_db))))
    elif measured.hiss_drop_db is not None and measured.hiss_drop_db > HISS_LIMIT_DB:
        found.append(Finding("noise_suppression", (("db", measured.hiss_drop_db),)))
    if measured.gated:
        found.append(Finding("gate"))
    if measured.echo_drop_db is not None and measured.echo_drop_db > ECHO_LIMIT_DB:
        found.append(Finding("echo_cancelling", (("db", measured.echo_drop_db),)))
    return found
