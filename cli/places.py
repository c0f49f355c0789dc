"""Where a ledger lies when nobody says: the user's own data folder, as each system has it."""

from __future__ import annotations

import os
import sys
from pathlib import Path

FILE_NAME = "ledger.sqlite"


def default_ledger() -> Path:
    """The ledger of whoever runs the command: `ledger.sqlite` in their data folder."""
    return data_folder() / FILE_NAME


def data_folder() -> Path:
    """The user's data folder of this application. Not made here; a new ledger makes it, private to its owner."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        # https://specifications.freedesktop.org/basedir-spec/latest/: a relative path there is to be ignored.
        said = os.environ.get("XDG_DATA_HOME", "")
        base = Path(said) if os.path.isabs(said) else Path.home() / ".local" / "share"
    return base / "access-ledger"
