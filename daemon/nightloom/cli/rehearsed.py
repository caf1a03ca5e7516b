"""A rehearsal's folder: where it is, the configuration that it keeps, and how it is read again."""

import shutil
from datetime import date
from pathlib import Path

from nightloom.errors import BadInput
from nightloom.ledger import FILE_NAME
from nightloom.rig import simulated_settings
from nightloom.seen_sensors import seen_sensors
from nightloom.settings import Settings, read_settings

KEPT = "configuration"
"""Folder in a rehearsal's with the files that it was made with."""


def out_folder(asked: Path | None, night: date, seed: int) -> Path:
    """A folder of this rehearsal's own. Raises BadInput when it cannot be."""
    folder = asked or _unused(Path("rehearsals") / f"{night}-seed{seed}")
    if (folder / FILE_NAME).exists():
        raise BadInput(f"--out {folder} holds a rehearsal already; name another folder.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "frames").mkdir(exist_ok=True)
    except OSError as error:
        raise BadInput(f"--out {folder} cannot be written: {error.strerror}.") from None
    return folder.absolute()


def _unused(folder: Path) -> Path:
    candidates = (folder.with_name(f"{folder.name}-{n}") for n in range(2, 10_000))
    return folder if not folder.exists() else next(c for c in candidates if not c.exists())


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
