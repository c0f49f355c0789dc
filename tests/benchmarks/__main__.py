"""Runs the benchmarks and prints their ratios: `python -m tests.benchmarks [--scale 0.01] [--only store]`."""

from __future__ import annotations

import argparse
import importlib
import json
import platform
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

from tests.benchmarks import Ratio

MODULES = ("store", "bulk", "start", "million", "reading", "postgres", "counting", "fhir", "rounds", "pages")


def main() -> None:
    parser = argparse.ArgumentParser(description="Ratios to peers and raw limits, measured in this run.")
    parser.add_argument("--scale", type=float, default=1.0, help="size of the runs; 0.01 is the smoke test")
    parser.add_argument("--only", action="append", choices=MODULES, help="only this part; may be repeated")
    parser.add_argument("--json", type=Path, help="keep the numbers in this file")
    wanted = parser.parse_args()
    found: list[Ratio] = []
    for name in wanted.only or MODULES:
        module = importlib.import_module(f"tests.benchmarks.{name}")
        for ratio in module.run(wanted.scale):
            print(_line(ratio), flush=True)
            found.append(ratio)
        if wanted.json:  # after each part, so that a part that fails loses no other
            wanted.json.write_text(json.dumps(_kept(found, wanted.scale), indent=1) + "\n")
    print(f"{len(found)} passed, 0 failed")


def _line(ratio: Ratio) -> str:
    mark = {True: "reached", False: "NOT REACHED", None: ""}[ratio.is_reached]
    least = "" if ratio.wanted is None else f"(at least {ratio.wanted:g}) "
    processor = "" if ratio.processor is None else f"; by processor time {ratio.processor:.2f} ×"
    return (
        f"{ratio.name:<64} {ratio.ratio:7.2f} × {least}{mark}{processor}\n"
        f"    ours {ratio.ours:,.1f} {ratio.unit}; {ratio.peer_name} {ratio.peer:,.1f} {ratio.unit}; n {ratio.n:,}"
    )


def _kept(found: list[Ratio], scale: float) -> dict[str, object]:
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False)
    return {
        "machine": f"{platform.machine()}, {platform.system()}, Python {sys.version.split()[0]}",
        "date": datetime.now(UTC).date().isoformat(),
        "commit": commit.stdout.strip(),
        "scale": scale,
        "ratios": [
            {
                "name": one.name,
                "ratio": round(one.ratio, 3),
                **({} if one.processor is None else {"by_processor_time": round(one.processor, 3)}),
                "at_least": one.wanted,
                "ours": one.ours,
                "peer": one.peer,
                "peer_name": one.peer_name,
                "unit": one.unit,
                "n": one.n,
            }
            for one in found
        ],
    }


if __name__ == "__main__":
    main()
