"""The table [notices] of policies.toml."""

from pathlib import Path

from pydantic import Field

from nightloom.settings.table import Table


class NoticePolicy(Table):
    """Of what a person is sent word, and where to."""

    events: tuple[str, ...] = Field(
        default=(
            "weather_unsafe",
            "person_needed",
            "unexpected_error",
            "given_up",
            "gone_on_without",
            "disk_filling",
            "night_ended",
        ),
        description="names of the log's events of which word is sent",
    )
    addresses_file: Path | None = Field(
        default=None,
        description="file with apprise URLs, one a line, that its owner alone may read; those in"
        " $NIGHTLOOM_NOTICES are used as well",
    )
