"""What the user says: observatory, targets and policies, read from one folder of TOML."""

from nightloom.settings.groups import AskedSub, Group, cycle_of
from nightloom.settings.observatory import Observatory
from nightloom.settings.places import default_folder, demo_folder
from nightloom.settings.policies import Policies
from nightloom.settings.problems import Problem, SettingsError
from nightloom.settings.reader import Settings, read_for_safety, read_settings
from nightloom.settings.targets import Panel, Target, Targets, panels_of

__all__ = [
    "AskedSub",
    "Group",
    "Observatory",
    "Panel",
    "Policies",
    "Problem",
    "Settings",
    "SettingsError",
    "Target",
    "Targets",
    "cycle_of",
    "default_folder",
    "demo_folder",
    "panels_of",
    "read_for_safety",
    "read_settings",
]
