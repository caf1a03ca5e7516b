"""Reads one folder of TOML into settings, or says everything that is wrong with it."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from nightloom.settings.crosscheck import Tables, disagreements
from nightloom.settings.observatory import Observatory
from nightloom.settings.parsing import Unreadable, table_in
from nightloom.settings.policies import Policies
from nightloom.settings.problems import ABSENT, Problem, SettingsError
from nightloom.settings.targets import Targets
from nightloom.settings.translate import problems_of
from nightloom_drivers.rig_settings import RigSettings

Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True)
class Settings:
    """Everything the user says."""

    observatory: Observatory
    targets: Targets
    policies: Policies
    rig: RigSettings | None
    """Parameters of the simulated rig; None when the folder has no rig.toml."""


def read_settings(folder: Path) -> Settings:
    """Read observatory.toml, targets.toml, policies.toml and, when it is there, rig.toml.

    Raises SettingsError with every problem of every file.
    """
    reader = _Reader(folder)
    observatory = reader.model("observatory.toml", Observatory)
    targets = reader.model("targets.toml", Targets)
    policies = reader.model("policies.toml", Policies)
    rig = reader.model("rig.toml", RigSettings) if (folder / "rig.toml").exists() else None
    problems = reader.problems + disagreements(reader.tables)
    if observatory is not None and targets is not None:
        targets, of_mosaics = targets.spread(observatory)
        problems += of_mosaics
    if problems or observatory is None or targets is None or policies is None:
        raise SettingsError(problems)
    return Settings(observatory, targets, policies, rig)


def read_for_safety(folder: Path) -> Settings:
    """What parking and closing needs: observatory.toml, and policies.toml or else its defaults.

    No slip in another file keeps a roof open. Raises SettingsError for observatory.toml.
    """
    reader = _Reader(folder)
    observatory = reader.model("observatory.toml", Observatory)
    if observatory is None:
        raise SettingsError(reader.problems)
    policies = reader.model("policies.toml", Policies) or Policies()
    return Settings(observatory, Targets.model_construct(targets=()), policies, None)


class _Reader:
    """Collects tables and problems while the files are read one after another."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.tables: Tables = {}
        self.problems: list[Problem] = []

    def model(self, file: str, model: type[Model]) -> Model | None:
        table = self._table(file)
        if table is None:
            return None
        self.tables[file] = table
        try:
            # As JSON, because strict models take lists for tuples and text for paths from it only.
            return model.model_validate_json(json.dumps(table, default=str), strict=True)
        except ValidationError as error:
            self.problems += problems_of(error, file, model, table)
            return None

    def _table(self, file: str) -> dict[str, object] | None:
        try:
            return table_in(self.folder / file)
        except Unreadable as error:
            self._refuse(file, error.place, error.wrong)
            return None

    def _refuse(self, file: str, key: str, allowed: str) -> None:
        self.problems.append(Problem(file, key, ABSENT, allowed))
