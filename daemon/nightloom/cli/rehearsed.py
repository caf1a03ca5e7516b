"""A rehearsal's folder read again: the configuration that it keeps, and its nights."""

import shutil
from pathlib import Path

from nightloom.errors import BadInput
from nightloom.rig import simulated_settings
from nightloom.seen_sensors import seen_sensors
from nightloom.settings import Settings, read_settings

KEPT = "configuration"
"""Folder in a rehearsal's with the files that it was made with."""


def keep_configuration(configuration: Path, out: Path) -> None:
    """Keep the files of a configuration in a rehearsal's folder. Raises BadInput."""
    try:
        (out / KEPT).mkdir(exist_ok=True)
        for file in configuration.glob("*.toml"):
            shutil.copyfile(file, out / KEPT / file.name)
    except OSError as error:
        raise BadInput(f"--out {out} cannot be written: {error.strerror}.") from None


def rehearsed_settings(out: Path, configuration: Path | None) -> Settings:
    """The settings of a rehearsal in its folder, or as a configuration that is named has them.

    Raises BadInput or SettingsError.
    """
    folder = configuration or out / KEPT
    if not folder.is_dir():
        raise BadInput(f"There is no {folder}; name the rehearsal's configuration with --config.")
    said = read_settings(folder)
    settings, _ = simulated_settings(said, seen_sensors(said.observatory))
    return settings
