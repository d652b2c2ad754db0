"""What starting costs: whole processes, against a Python that does nothing.

Run as a script it prints, for each command, the median of its wall times, how much of it is ours, and how
many times a bare Python it takes. The commands and the bare Python take turns, so that a busy machine
slows both.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from statistics import median

MAIN = "from oaktag.cli import main; main()"
BARE = ("-c", "pass")
COMMANDS: dict[str, tuple[str, ...]] = {
    "--version": ("-c", MAIN, "--version"),
    "--help": ("-c", MAIN, "--help"),
    "make --help": ("-c", MAIN, "make", "--help"),
    "stages": ("-c", MAIN, "stages"),
    "explain corners.round": ("-c", MAIN, "explain", "corners.round"),
    "import oaktag": ("-c", "import oaktag"),
    "import oaktag.engine": ("-c", "import oaktag.engine"),
}


def wall(arguments: tuple[str, ...]) -> float:
    """Wall time in s of a Python process of its own.

    Raises:
        subprocess.CalledProcessError: it failed, so that its time would mean nothing.
    """
    began = time.perf_counter()
    subprocess.run([sys.executable, *arguments], capture_output=True, check=True)
    return time.perf_counter() - began


def measure(rounds: int) -> tuple[float, dict[str, float]]:
    """Median wall times in s: of the bare Python, and by command."""
    bare: list[float] = []
    times: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(rounds):
        bare.append(wall(BARE))
        for name, arguments in COMMANDS.items():
            times[name].append(wall(arguments))
    return median(bare), {name: median(found) for name, found in times.items()}


def table(bare: float, times: dict[str, float]) -> str:
    """The times as text."""
    lines = [
        f"{'':<24}{'ms':>8}{'ours, ms':>10}{'times bare':>12}",
        f"{'bare Python':<24}{1000 * bare:>8.0f}",
    ]
    lines += [
        f"{name:<24}{1000 * found:>8.0f}{1000 * (found - bare):>10.0f}{found / bare:>12.1f}"
        for name, found in times.items()
    ]
    return "\n".join(lines)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=15)
    print(table(*measure(parser.parse_args().rounds)))


if __name__ == "__main__":
    main()
