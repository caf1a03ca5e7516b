"""Where configuration folders are found, from any working directory."""

import os
import sys
from pathlib import Path


def demo_folder() -> Path:
    """The demo observatory: beside an editable checkout, or installed with the package.

    Raises FileNotFoundError when it is in neither place.
    """
    checkout = Path(__file__).parents[3] / "config" / "demo"
    installed = Path(sys.prefix) / "share" / "nightloom" / "config" / "demo"
    for folder in (checkout, installed):
        if (folder / "observatory.toml").is_file():
            return folder
    raise FileNotFoundError(f"the demo observatory is neither in {checkout} nor in {installed}")


def default_folders() -> list[Path]:
    """Folders that may hold the user's configuration, the strongest first."""
    named = os.environ.get("NIGHTLOOM_CONFIG")
    if named:
        return [Path(named).expanduser()]
    return [Path.home() / ".config" / "nightloom", Path("/etc/nightloom")]


def default_folder() -> Path:
    """The first default folder that exists, or the strongest when none does."""
    folders = default_folders()
    return next((folder for folder in folders if folder.is_dir()), folders[0])
