"""Writes what the models say into the checkout: `python -m nightloom.reference`.

config/REFERENCE.md has every key of the configuration, daemon/EVENTS.md every event of the log.
"""

from collections.abc import Mapping
from pathlib import Path

from nightloom.settings import demo_folder
from nightloom.settings.reference import describe_settings
from nightloom.telemetry import describe_events


def references() -> Mapping[Path, str]:
    """Each file of the checkout with what belongs into it."""
    root = demo_folder().parents[1]
    return {
        root / "config" / "REFERENCE.md": describe_settings(),
        root / "daemon" / "EVENTS.md": describe_events(),
    }


if __name__ == "__main__":
    for file, text in references().items():
        file.write_text(text)
