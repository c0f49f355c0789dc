"""Generated samples for the curves, with ties and heavy censoring, and R as an oracle where it is installed."""

from __future__ import annotations

import json
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

SIZES = [500, pytest.param(10_000, marks=pytest.mark.slow)]
"""Five hundred in every run, ten thousand with --full."""


def _cmprsk_is_there() -> bool:
    if shutil.which("Rscript") is None:
        return False
    asked = ["Rscript", "--vanilla", "-e", 'quit(status = !nzchar(system.file(package = "cmprsk")))']
    return subprocess.run(asked, capture_output=True, timeout=60, check=False).returncode == 0


needs_r = pytest.mark.skipif(
    shutil.which("Rscript") is None, reason="R is not installed here (Debian: r-cran-survival); CI has it"
)
needs_cmprsk = pytest.mark.skipif(
    not _cmprsk_is_there(), reason="R's cmprsk is not installed here (Debian: r-cran-cmprsk); CI has it"
)


@dataclass(frozen=True)
class Sample:
    """Whole days with many ties, more than half censored; three groups; two causes; patients with several accesses."""

    days: NDArray[np.int64]
    cause: NDArray[np.int64]
    group: list[str]
    patient: list[str]
    entered: NDArray[np.int64]

    @property
    def happened(self) -> NDArray[np.bool_]:
        return self.cause == 1


def a_sample(size: int, seed: int = 1, *, last_day: int = 400) -> Sample:
    """Events and censorings in whole days up to `last_day`, so that many fall on the same day."""
    draw = np.random.default_rng(seed)
    group = draw.integers(0, 3, size)
    lost = np.ceil(draw.exponential(600 - 120 * group)).astype(np.int64)
    died = np.ceil(draw.exponential(900, size)).astype(np.int64)
    watched = np.minimum(draw.integers(1, last_day + 1, size), last_day)
    days = np.minimum(np.minimum(lost, died), watched)
    cause = np.where(lost <= np.minimum(died, watched), 1, np.where(died <= watched, 2, 0))
    entered = np.where(draw.random(size) < 0.3, (days * draw.random(size)).astype(np.int64), 0)
    patient = [f"P{number}" for number in draw.integers(0, max(2, size // 2), size)]
    return Sample(days, cause, [f"g{name}" for name in group], patient, entered)


def in_r(program: str, **columns: Any) -> Any:
    """What an R program prints as JSON; the columns are the data frame `d`. Numbers come with 15 digits and more."""
    with tempfile.TemporaryDirectory() as folder:
        held = Path(folder) / "d.csv"
        names = list(columns)
        rows = zip(*(list(column) for column in columns.values()), strict=True)
        held.write_text("\n".join([",".join(names), *(",".join(str(cell) for cell in row) for row in rows)]) + "\n")
        script = Path(folder) / "p.R"
        script.write_text(
            "suppressMessages(library(survival))\n"
            f'd <- read.csv("{held}")\n'
            "say <- function(name, x) cat(sprintf('\"%s\": [%s]', name, "
            'paste(ifelse(is.na(x), "null", formatC(as.numeric(x), digits=17, format="g")), collapse=",")), "\\n")\n'
            + program
        )
        found = subprocess.run(["Rscript", str(script)], capture_output=True, text=True, timeout=300, check=False)
    assert found.returncode == 0, found.stderr
    return json.loads("{" + ",".join(line for line in found.stdout.splitlines() if line.startswith('"')) + "}")
