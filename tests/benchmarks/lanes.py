"""What hearing many lanes costs: `python -m tests.benchmarks.lanes`. Shares of one core, live pace."""

from __future__ import annotations

from tests.accuracy.lanes import LaneCase, measure_lanes


def main() -> None:
    """Print the share of one core for 1 to 8 lanes, contacts every 3.2 s and less; and per lane beside one lane."""
    shares = {}
    for lanes in (1, 2, 4, 8):
        figures = measure_lanes(LaneCase(lanes, -12.0, drill="steady-contact", reps=20, seeds=(1,)))
        shares[lanes] = figures.heard_s / figures.sound_s
        contacts_s = figures.sound_s / 20
        print(
            f"{lanes} lanes: {100 * shares[lanes]:.1f} % of a core, a contact every {contacts_s:.1f} s; per lane "
            f"{shares[lanes] / lanes / shares[1]:.2f} of one lane's; every 2.5 s it would be "
            f"{100 * shares[lanes] * contacts_s / 2.5:.0f} %"
        )


if __name__ == "__main__":
    main()
